"""Messages name the place and the remedy, and long lists end in a count."""

from homewater.running.errors import InputError, Problem, describe


def test_a_problem_names_file_place_column_found_and_allowed():
    problem = Problem("samples.csv", "line 4", "role", "'wild'", "baseline or query")
    assert str(problem) == "samples.csv, line 4, column role: found 'wild'; allowed: baseline or query"


def test_empty_parts_are_left_out():
    assert str(Problem("a.vcf.gz", "", "", "an empty file", "a VCF")) == "a.vcf.gz: found an empty file; allowed: a VCF"


def test_twenty_problems_are_listed_and_the_rest_counted():
    problems = [Problem("a.csv", f"line {i}", "x", "1", "2") for i in range(27)]
    lines = describe(problems).splitlines()
    assert len(lines) == 21
    assert lines[-1] == "... and 7 more problems"
    assert InputError(problems).as_records()[26]["place"] == "line 26"


def test_each_file_has_its_own_twenty():
    problems = [Problem(f"{'ab'[i % 2]}.csv", f"line {i}", "x", "1", "2") for i in range(50)]
    lines = describe([*problems, Problem("c.csv", "", "", "1", "2")]).splitlines()
    assert len(lines) == 43
    assert lines[20] == "... and 5 more problems in a.csv"
    assert lines[21].startswith("b.csv, line 1,")
    assert lines[-1] == "c.csv: found 1; allowed: 2"


def test_what_cannot_be_printed_is_shown_as_its_code_and_long_text_is_cut():
    problem = Problem("a.csv", "line 1", "x\n\x00", "\u202e" * 3, "y" * 10**6)
    assert str(problem).isprintable()
    assert str(problem).startswith("a.csv, line 1, column x\\n\\x00: found \\u202e\\u202e\\u202e; allowed: yyy")
    assert len(str(problem)) < 600
