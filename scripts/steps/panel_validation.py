"""Rule panel_validation: what the panel does on animals that had no part in its making.

Named inputs: genotypes, samples, markers, panel, reference_animals, panel_summary, units_summary, genotyping_error,
recombination_map (none or one). Outputs: size_curve_table, confusion, controls, calibration,
summary. Params: settings (panel), assignment, cm_per_chromosome, seed. Wildcard: species.
"""

from homewater.crosses.opened_panel import open_panel
from homewater.genotypes.genetic_map import open_map
from homewater.genotypes.opened_species import open_species
from homewater.panel.proof import no_proof, prove_panel
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
    panel: str,
    reference_animals: str,
    panel_summary: str,
    units_summary: str,
    genotyping_error: str,
    recombination_map: list[str],
    size_curve_table: str,
    confusion: str,
    controls: str,
    calibration: str,
    summary: str,
    species: str,
    settings: dict,
    assignment: dict,
    cm_per_chromosome: float,
    seed: int,
) -> None:
    """Decide how far the panel can be trusted: how often it is right on animals it was not made from."""
    opened = open_species(genotypes, samples, markers)
    chosen = open_panel(opened.store, panel, reference_animals, panel_summary, units_summary, genotyping_error)
    if chosen is None:
        proof = no_proof(read_json(units_summary)["n_units"])
    else:
        limits = PanelSettings.of_study(settings, assignment, chosen.error)
        genetic_map = open_map(recombination_map, cm_per_chromosome)
        found = read_table(blocks, "genome_blocks")
        proof = prove_panel(opened, chosen, genetic_map, limits, found, draws(seed, "panel_validation", species))
    write_table(proof.size_curve, size_curve_table, "size_curve")
    write_table(proof.confusion, confusion, "confusion")
    write_table(proof.controls, controls, "controls")
    write_table(proof.calibration, calibration, "calibration")
    write_json(proof.summary, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
