"""Rule panel: the markers that tell the units apart, and the animals whose genotypes give the frequencies.

Named inputs: genotypes, samples, markers, blocks, units, units_summary, genotyping_error, recombination_map (none or
one). Outputs: panel, reference_animals, summary. Params: settings (panel), assignment, cm_per_chromosome, seed.
Wildcard: species.
"""

from homewater.genotypes.genetic_map import open_map
from homewater.genotypes.opened_species import open_species
from homewater.panel.choice import make_panel
from homewater.panel.settings import PanelSettings
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_json, read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    blocks: str,
    units: str,
    units_summary: str,
    genotyping_error: str,
    recombination_map: list[str],
    panel: str,
    reference_animals: str,
    summary: str,
    species: str,
    settings: dict,
    assignment: dict,
    cm_per_chromosome: float,
    seed: int,
) -> None:
    """Decide which markers go on the panel, how many, and which baseline animals speak for each unit."""
    made = make_panel(
        open_species(genotypes, samples, markers),
        read_table(units, "units"),
        read_json(units_summary)["n_units"],
        open_map(recombination_map, cm_per_chromosome),
        PanelSettings.of_study(settings, assignment, read_json(genotyping_error)["estimate"]),
        read_table(blocks, "genome_blocks"),
        draws(seed, "panel", species),
    )
    write_table(made.panel, panel, "panel")
    write_table(made.reference_animals, reference_animals, "reference_animals")
    write_json(made.summary, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
