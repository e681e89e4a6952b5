"""Settings of the panel, from those of a study file."""

from homewater.panel.settings import PanelRules, PanelSettings

ASSIGNMENT = {"false_flag_rate": 0.002, "exclusion_level": 0.0005, "exclusion_markers": 300}
PANEL = {"sizes": [48, 12], "n_markers": 24, "min_call_rate": 0.9, "min_spacing_bp": 1000, "min_clear_bases": 50,
         "max_block_markers": 3,
         "size_from": "fixed", "folds": 7}  # fmt: skip


def test_the_panels_own_size_is_one_of_the_curve():
    found = PanelSettings.of_study(PANEL, ASSIGNMENT, 0.004)
    assert found.sizes == (12, 24, 48)
    assert PanelSettings.of_study(PANEL | {"n_markers": 12}, ASSIGNMENT, 0.004).sizes == (12, 48)
    assert found.rules == PanelRules(0.9, 1000, 0.004, 50, 3)
    assert (found.foreign_rate, found.folds) == (0.002, 7)
    assert found.rates.ratio_level(300) == 0.0015


def test_where_the_size_comes_from_is_said_as_the_study_file_says_it():
    for name in ("fixed", "curve"):
        found = PanelSettings.of_study(PANEL | {"size_from": name}, ASSIGNMENT, 0.004)
        assert found.size_from == name
        assert found.size_from_curve == (name == "curve")
