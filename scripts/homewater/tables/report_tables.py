"""What the report reads of each species: the one list, for the rule, for its step and for the pages.

To add a table to the report, add its line here and show it on a page; the rule hands it over and the step reads it.
This module imports nothing, since the rules read it whenever the workflow is planned.
"""

# Name on the pages -> file below results/<study>/<species>/. The schema of a table has the name of its file; what ends
# in .json is a record, which has none.
REPORT_FILES = {
    "animals": "intake/samples.csv",
    "site_roles": "intake/site_roles.csv",
    "filter_summary": "intake/filter_summary.csv",
    "genotyping_error": "intake/genotyping_error.json",
    "kin_thinning": "intake/kin_thinning.csv",
    "file_conflicts": "intake/file_conflicts.csv",
    "batch_effects": "intake/batch_effects.csv",
    "site_diversity": "structure/site_diversity.csv",
    "pairwise_fst": "structure/pairwise_fst.csv",
    "pca": "structure/pca.csv",
    "pca_axes": "structure/pca_axes.csv",
    "group_number": "structure/group_number.csv",
    "ancestry": "structure/ancestry.csv",
    "isolation_by_distance": "structure/isolation_by_distance.csv",
    "breaks": "structure/breaks.csv",
    "overall_fst": "structure/overall_fst.csv",
    "groups_within_units": "structure/groups_within_units.csv",
    "variance_shares": "structure/variance_shares.csv",
    "clines": "structure/clines.csv",
    "cline_sites": "structure/cline_sites.csv",
    "units": "units/units.csv",
    "units_summary": "units/summary.json",
    "odd_kinships": "units/odd_kinships.csv",
    "panel": "panel/panel.csv",
    "panel_order": "panel/order.json",
    "size_curve": "panel/size_curve.csv",
    "confusion": "panel/confusion.csv",
    "controls": "panel/controls.csv",
    "calibration": "panel/calibration.csv",
    "panel_proof": "panel/validation.json",
    "calls": "assignment/calls.csv",
    "origin_classes": "assignment/origin_classes.csv",
    "class_power": "assignment/class_power.csv",
    "site_rates": "assignment/site_rates.csv",
    "site_year_rates": "assignment/site_year_rates.csv",
    "unit_rates": "assignment/unit_rates.csv",
    "mixture_shares": "assignment/mixture_shares.csv",
    "natural_contact": "assignment/natural_contact.csv",
    "mixing_dates": "assignment/mixing_dates.csv",
    "flows": "transfers/flows.csv",
    "source_ranking": "transfers/source_ranking.csv",
}
