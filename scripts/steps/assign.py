"""Rule assign: the verdict on every kept animal, and how mixed it is.

Named inputs: genotypes, samples, markers, units, panel, reference_animals, panel_summary, units_summary,
genotyping_error, cutoffs.
Outputs: calls, origin_classes, summary. Params: settings (assignment).
"""

import json
from pathlib import Path

import numpy as np

from homewater.assignment.origin_classes import mixture, origin_table, verdicts_by_pair
from homewater.assignment.unsampled_origin import exclusion_markers, exclusion_test
from homewater.assignment.verdict import OUTCOMES, calls_table, verdicts
from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import class_list, log_likelihoods_left_out
from homewater.crosses.odds import class_posterior, counts_by_unit, other_units, pair_log_likelihoods
from homewater.genotypes.store import open_genotypes
from homewater.panel.candidates import drift_by_unit
from homewater.panel.choice import panel_rows
from homewater.panel.reference_animals import reference_arrays
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import local_unit_indices, unit_names


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
    """Read, compute, write; arguments carry the names that the rule gives them."""
    limits = json.loads(Path(cutoffs).read_text(encoding="utf-8"))
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    if n_units < 2 or not limits["cutoffs"]:
        write_table(empty_table("calls"), calls, "calls")
        write_table(empty_table("origin_classes"), origin_classes, "origin_classes")
        write_json({"n_units": n_units, "n_animals": 0}, summary)
        return
    error = json.loads(Path(genotyping_error).read_text(encoding="utf-8"))["estimate"]
    store, classes, names = open_genotypes(genotypes), class_list(n_units), unit_names(n_units)
    animals = read_table(samples, "samples").set_index("materialSampleID").loc[store.sample_ids].reset_index()
    judged = (animals["status"] == "kept").to_numpy()
    animals = animals[judged].reset_index(drop=True)
    unit, used = reference_arrays(store.sample_ids, read_table(reference_animals, "reference_animals"))
    counted = np.where(used, unit, -1)[judged]
    local = local_unit_indices(animals["locationID"], read_table(units, "units"))
    rows = panel_rows(store.markers, read_table(panel, "panel"))

    prior = FrequencyPrior.from_record(json.loads(Path(panel_summary).read_text(encoding="utf-8"))["frequency_prior"])
    dosages = np.ascontiguousarray(store.select(rows, judged).T)
    frequency = counts_by_unit(dosages, counted, n_units)
    likelihood = log_likelihoods_left_out(dosages, counted, *frequency, classes, error, prior)

    others = exclusion_markers(
        read_table(markers, "markers")["thinned"].to_numpy(bool), rows, settings["exclusion_markers"]
    )
    unbiased = np.ascontiguousarray(store.select(others, judged).T)
    _, site = np.unique(animals["locationID"].to_numpy(str), return_inverse=True)
    exclusion, fit = exclusion_test(
        unbiased, counted, drift_by_unit(unbiased, site, counted, n_units), classes, error, prior
    )
    excluded = np.nan_to_num(exclusion, nan=1.0) < limits["exclusion_level"]

    found = verdicts(likelihood, (dosages >= 0).sum(axis=1), local, np.array([limits["cutoffs"][n] for n in names]),
                     classes, settings["min_markers_share"] * len(rows), settings["support"], excluded)  # fmt: skip
    unit_a = np.where(found.n_typed > 0, np.where(local >= 0, local, found.best_unit), -1)
    unit_b = other_units(likelihood, unit_a, classes)
    probability = class_posterior(pair_log_likelihoods(likelihood, unit_a, unit_b, classes))
    groups = {(names.index(g["unit_a"]), names.index(g["unit_b"])): g["groups"] for g in limits["groups"]}
    verdict_class = verdicts_by_pair(probability, unit_a, unit_b, groups, settings["support"])
    mixed = mixture(dosages, counted, unit_a, unit_b, *frequency, error, prior)
    write_table(calls_table(animals, local, found, exclusion, names), calls, "calls")
    write_table(origin_table(animals, unit_a, unit_b, local >= 0, found.outcome == "local", probability, verdict_class,
                             mixed, names), origin_classes, "origin_classes")  # fmt: skip
    outcomes = {outcome: int((found.outcome == outcome).sum()) for outcome in OUTCOMES}
    write_json({"n_units": n_units, "n_animals": len(animals), "outcomes": outcomes, "pure_prior": 1 / n_units,
                "exclusion": fit, **{k: v for k, v in limits.items() if k != "n_units"}}, summary)  # fmt: skip


if __name__ == "__main__":
    run_step(main, snakemake)
