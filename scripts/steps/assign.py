"""Rule assign: the verdict on every kept animal, and how mixed it is.

Named inputs: genotypes, samples, markers, units, panel, reference_animals, panel_summary, units_summary,
genotyping_error, cutoffs.
Outputs: calls, origin_classes, summary. Params: settings (assignment).
"""

from homewater.assignment.assign import assign, nobody_assigned
from homewater.assignment.settings import AssignmentSettings
from homewater.crosses.opened_panel import open_panel
from homewater.genotypes.opened_species import open_species
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_json, read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    units: str,
    panel: str,
    reference_animals: str,
    panel_summary: str,
    units_summary: str,
    genotyping_error: str,
    cutoffs: str,
    calls: str,
    origin_classes: str,
    summary: str,
    settings: dict,
) -> None:
    """Decide of every animal whether it is local, from elsewhere, mixed, of no sampled origin, or cannot be told."""
    species = open_species(genotypes, samples, markers)
    chosen = open_panel(species.store, panel, reference_animals, panel_summary, units_summary, genotyping_error)
    if chosen is None:
        found = nobody_assigned(read_json(units_summary)["n_units"])
    else:
        limits = AssignmentSettings.of_study(settings)
        found = assign(species, chosen, read_table(units, "units"), read_json(cutoffs), limits)
    write_table(found.calls, calls, "calls")
    write_table(found.origin_classes, origin_classes, "origin_classes")
    write_json(found.summary, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
