"""Rule mixture_shares: the share of each unit among the query animals of a site, and of a site and year.

Named inputs: genotypes, panel, reference_animals, panel_summary, units_summary, genotyping_error, calls, sample_sheet
(dates), sites. Outputs: shares. Params: seed. Wildcard: species.
"""

import json
from pathlib import Path

import numpy as np

from homewater.assignment.mixture_shares import drawn_likelihoods, mixture_table
from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.likelihood import class_list, class_table, log_likelihoods
from homewater.crosses.odds import counts_by_unit
from homewater.genotypes.store import open_genotypes
from homewater.inputs.event_dates import sampling_years
from homewater.panel.choice import panel_rows
from homewater.panel.reference_animals import reference_arrays
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_names


def main(
    genotypes: str,
    panel: str,
    reference_animals: str,
    panel_summary: str,
    units_summary: str,
    genotyping_error: str,
    calls: str,
    sample_sheet: str,
    sites: str,
    shares: str,
    species: str,
    seed: int,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    judged = read_table(calls, "calls")
    query = judged[judged["role"] == "query"].reset_index(drop=True)
    if n_units < 2 or query.empty:
        write_table(empty_table("mixture_shares"), shares, "mixture_shares")
        return
    sheet = read_table(sample_sheet, "input_samples")
    query["year"] = sampling_years(sheet, species, query["materialSampleID"])
    error = json.loads(Path(genotyping_error).read_text(encoding="utf-8"))["estimate"]
    prior = FrequencyPrior.from_record(json.loads(Path(panel_summary).read_text(encoding="utf-8"))["frequency_prior"])
    store = open_genotypes(genotypes)
    rows = panel_rows(store.markers, read_table(panel, "panel"))
    unit, used = reference_arrays(store.sample_ids, read_table(reference_animals, "reference_animals"))
    _, site = np.unique(store.location_ids, return_inverse=True)
    place = {sample: number for number, sample in enumerate(store.sample_ids.tolist())}
    of_query = np.array([place[sample] for sample in query["materialSampleID"]], dtype=np.int64)
    dosages = np.ascontiguousarray(store.select(rows).T)
    reference, catch = dosages[used], dosages[of_query]
    counts = counts_by_unit(reference, unit[used], n_units)
    table = class_table(*counts, class_list(n_units), error, prior)[..., :n_units]
    draws = drawn_likelihoods(
        catch, reference, unit[used], site[used], n_units, error, prior, generator(seed, "mixture_shares", species)
    )
    order = list(read_table(sites, "input_sites")["locationID"])
    found = mixture_table(query, log_likelihoods(catch, table), np.stack(list(draws)), unit_names(n_units), order)
    write_table(found, shares, "mixture_shares")


if __name__ == "__main__":
    run_step(main, snakemake)
