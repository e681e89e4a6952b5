"""Rule panel_validation: what the panel does on animals that had no part in its making.

Named inputs: genotypes, samples, markers, panel, reference_animals, panel_summary, units_summary, genotyping_error,
recombination_map (none or one). Outputs: size_curve_table, confusion, controls, calibration,
summary. Params: settings (panel), assignment, cm_per_chromosome, seed. Wildcard: species.
"""

import json
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from homewater.assignment.unsampled_origin import exclusion_markers, shared_rates
from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.simulated import study_map
from homewater.genotypes.store import open_genotypes
from homewater.panel.candidates import clear_of_others, for_prior
from homewater.panel.choice import panel_rows
from homewater.panel.controls import calibration_error, calibration_table, controls_table
from homewater.panel.folds import Settings, deal
from homewater.panel.proof import nested_validation, resubstitution_calls, size_curve
from homewater.panel.reference_animals import reference_arrays
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.statistics.intervals import wilson
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_names


def main(
    genotypes: str,
    samples: str,
    markers: str,
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
    """Read, compute, write; arguments carry the names that the rule gives them."""
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    chosen = read_table(panel, "panel")
    if n_units < 2 or chosen.empty:
        write_table(empty_table("size_curve"), size_curve_table, "size_curve")
        for name, path in (("confusion", confusion), ("controls", controls), ("calibration", calibration)):
            write_table(empty_table(name), path, name)
        write_json({"n_units": n_units, "folds": 0}, summary)
        return
    error = json.loads(Path(genotyping_error).read_text(encoding="utf-8"))["estimate"]
    store, draw = open_genotypes(genotypes), partial(generator, seed, "panel_validation", species)
    table = read_table(recombination_map[0], "input_recombination_map") if recombination_map else None
    recombination = study_map(
        store.markers["chrom"].to_numpy(), store.markers["pos"].to_numpy(), cm_per_chromosome, table
    )
    unit, used = reference_arrays(store.sample_ids, read_table(reference_animals, "reference_animals"))
    animals = read_table(samples, "samples").set_index("materialSampleID").loc[store.sample_ids].reset_index()
    marker_table = read_table(markers, "markers")
    kept = (marker_table["status"] == "kept").to_numpy()
    varied = for_prior(marker_table, kept)
    kept = kept & clear_of_others(store.markers["chrom"], store.markers["pos"], settings["min_clear_bases"])
    unchosen = exclusion_markers(marker_table["thinned"].to_numpy(bool), panel_rows(store.markers, chosen),
                                 assignment["exclusion_markers"])  # fmt: skip
    ratio_level, _ = shared_rates(assignment, len(unchosen))
    limits = Settings.of_study(settings, error, ratio_level, assignment["false_flag_rate"])
    dealt = deal(store, animals, unit, n_units, kept, varied, recombination, limits, settings["folds"], draw("folds"))
    tally = nested_validation(dealt, draw)
    of_panel = json.loads(Path(panel_summary).read_text(encoding="utf-8"))
    prior, size, sizes = FrequencyPrior.from_record(of_panel["frequency_prior"]), of_panel["n_wanted"], limits.sizes
    row = pd.Series(np.arange(store.n_markers), index=store.markers["marker"])  # the reserve too: sizes reach into it
    dosages = np.ascontiguousarray(store.select(row[chosen["marker"]].to_numpy(), unit >= 0).T)
    counted = np.where(used, unit, -1)[unit >= 0]
    own = resubstitution_calls(dosages, counted, n_units, list(sizes), error, prior)
    optimistic = (own == unit[unit >= 0][:, None]).mean(axis=0)
    write_table(controls_table(tally.held, own[:, sizes.index(size)], min(size, len(chosen))), controls, "controls")
    write_table(calibration_table(tally.held), calibration, "calibration")
    names = unit_names(n_units)
    write_table(size_curve(tally, optimistic, list(sizes)), size_curve_table, "size_curve")
    cells = [(names[a], names[b], int(tally.confusion[a, b])) for a in range(n_units) for b in range(n_units)]
    write_table(pd.DataFrame(cells, columns=["true_unit", "called_unit", "n"]), confusion, "confusion")
    by_site, places = {}, np.unique(store.location_ids)
    for place, (right, n) in sorted(tally.by_site.items()):
        low, high = wilson(right, n)
        by_site[str(places[place])] = {"right": right, "n": n, "ci_low": float(low), "ci_high": float(high)}
    told = {"n_units": n_units, "folds": settings["folds"], "n_markers": size, "size_from": settings["size_from"]}
    told |= {"by_site": by_site, "calibration": calibration_error(tally.held, draw("calibration"))}
    write_json(told | {"at_own_size": tally.own_sizes()}, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
