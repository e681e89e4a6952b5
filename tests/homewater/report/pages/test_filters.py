"""Page on the filters: what joined files disagree in."""

from tests.homewater.report.made_pages import Reader, page_of
from tests.homewater.report.made_results import study


def test_what_files_disagree_in_is_counted_by_kind():
    words = Reader(page_of(study(units=(2,)))).words
    assert "the other strand, turned (1), strand that cannot be told, calls left out (1)" in words
    assert "calls of an animal, left missing (1) and further rows not listed (12)" in words
    assert "Several genotype files were joined" not in Reader(page_of(study(units=(1,)))).words
