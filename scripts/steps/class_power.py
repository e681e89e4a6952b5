"""Rule class_power: cut-offs from simulated locals, and how simulated crosses of every class are called.

Named inputs: genotypes, markers, panel, reference_animals, panel_summary, units_summary, genotyping_error,
recombination_map (none or one). Outputs: class_power, cutoffs. Params: settings (assignment),
cm_per_chromosome, seed. Wildcard: species.
"""

import json
from functools import partial
from pathlib import Path

from homewater.assignment.class_power import (
    TOLD_APART,
    indistinct_groups,
    power_table,
    simulated_calls,
    simulated_cutoffs,
)
from homewater.assignment.unsampled_origin import exclusion_markers, shared_rates
from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import class_list
from homewater.crosses.odds import CLASS_PRIOR
from homewater.crosses.simulated import study_map
from homewater.genotypes.store import open_genotypes
from homewater.panel.choice import panel_model, panel_rows
from homewater.panel.reference_animals import reference_arrays
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_names


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
    """Read, compute, write; arguments carry the names that the rule gives them."""
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    chosen = read_table(panel, "panel")
    if n_units < 2 or chosen.empty:
        write_table(empty_table("class_power"), class_power, "class_power")
        write_json({"n_units": n_units, "cutoffs": {}}, cutoffs)
        return
    error = json.loads(Path(genotyping_error).read_text(encoding="utf-8"))["estimate"]
    store, draw = open_genotypes(genotypes), partial(generator, seed, "class_power", species)
    unit, used = reference_arrays(store.sample_ids, read_table(reference_animals, "reference_animals"))
    rows = panel_rows(store.markers, chosen)
    prior = FrequencyPrior.from_record(json.loads(Path(panel_summary).read_text(encoding="utf-8"))["frequency_prior"])
    table = read_table(recombination_map[0], "input_recombination_map") if recombination_map else None
    whole = study_map(store.markers["chrom"].to_numpy(), store.markers["pos"].to_numpy(), cm_per_chromosome, table)
    model = panel_model(store, rows, unit, used, n_units, error, whole.take(rows), settings["min_markers_share"], prior)
    n_exclusion = len(exclusion_markers(read_table(markers, "markers")["thinned"].to_numpy(bool), rows,
                                        settings["exclusion_markers"]))  # fmt: skip
    rate, level = shared_rates(settings, n_exclusion)
    classes, names = class_list(n_units), unit_names(n_units)
    limits, above = simulated_cutoffs(model, classes, settings["simulated_locals"], rate, draw)
    counts, groups = {}, []
    for a, b in ((a, b) for a in range(n_units) for b in range(n_units) if a != b):
        counts[a, b], likelihood = simulated_calls(model, classes, a, b, limits, settings["simulated_crosses"],
                                                   settings["support"], draw(f"crosses {a} {b}"))  # fmt: skip
        groups.append({"unit_a": names[a], "unit_b": names[b], "groups": indistinct_groups(likelihood)})
    write_table(power_table(counts, level, names), class_power, "class_power")
    told = {
        "n_units": n_units,
        "n_markers": len(rows),
        "cutoffs": dict(zip(names, limits.tolist(), strict=True)),
        "share_of_simulated_locals_above": dict(zip(names, above.tolist(), strict=True)),
        "simulated_locals": settings["simulated_locals"],
        "false_flag_rate": settings["false_flag_rate"],
        "ratio_level": rate,
        "exclusion_level": level,
        "exclusion_markers": n_exclusion,
        "drift_within_unit": dict(zip(names, model.drift.tolist(), strict=True)),
        "class_prior": CLASS_PRIOR,
        "told_apart": TOLD_APART,
        "groups": groups,
    }
    write_json(told, cutoffs)


if __name__ == "__main__":
    run_step(main, snakemake)
