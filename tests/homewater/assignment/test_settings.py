"""Settings of the verdicts, from those of a study file."""

from homewater.assignment.settings import AssignmentSettings
from homewater.crosses.flag_rates import FlagRates


def test_every_setting_is_taken_by_its_name():
    assignment = {"false_flag_rate": 0.002, "exclusion_level": 0.0005, "exclusion_markers": 300, "support": 0.9,
                  "min_markers_share": 0.7, "simulated_locals": 50, "simulated_crosses": 60}  # fmt: skip
    found = AssignmentSettings.of_study(assignment)
    assert found == AssignmentSettings(FlagRates(0.002, 0.0005, 300), 0.7, 0.9, 50, 60)
