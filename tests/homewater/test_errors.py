"""Messages name the place and the remedy, and long lists end in a count."""

from homewater.errors import InputError, Problem, describe


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
