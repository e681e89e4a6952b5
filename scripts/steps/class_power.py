"""Rule class_power: cut-offs from simulated locals, and how simulated crosses of every class are called.

Named inputs: genotypes, markers, panel, reference_animals, panel_summary, units_summary, genotyping_error,
recombination_map (none or one). Outputs: class_power, cutoffs. Params: settings (assignment),
cm_per_chromosome, seed. Wildcard: species.
"""

from homewater.assignment.class_power import no_power, panel_power
from homewater.assignment.settings import AssignmentSettings
from homewater.crosses.opened_panel import open_panel
from homewater.genotypes.genetic_map import open_map
from homewater.genotypes.store import open_genotypes
from homewater.running.seeds import draws
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_json, read_table, write_table


def main(
    genotypes: str,
    markers: str,
    panel: str,
    reference_animals: str,
    panel_summary: str,
    units_summary: str,
    genotyping_error: str,
    recombination_map: list[str],
    class_power: str,
    cutoffs: str,
    species: str,
    settings: dict,
    cm_per_chromosome: float,
    seed: int,
) -> None:
    """Decide above which ratio an animal is not local, and which classes of crosses the panel cannot tell apart."""
    store = open_genotypes(genotypes)
    chosen = open_panel(store, panel, reference_animals, panel_summary, units_summary, genotyping_error)
    if chosen is None:
        power = no_power(read_json(units_summary)["n_units"])
    else:
        thinned = read_table(markers, "markers")["thinned"].to_numpy(bool)
        genetic_map = open_map(recombination_map, cm_per_chromosome)
        limits = AssignmentSettings.of_study(settings)
        power = panel_power(chosen, thinned, genetic_map, limits, draws(seed, "class_power", species))
    write_table(power.table, class_power, "class_power")
    write_json(power.limits, cutoffs)


if __name__ == "__main__":
    run_step(main, snakemake)
