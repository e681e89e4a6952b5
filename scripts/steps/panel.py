"""Rule panel: the markers that tell the units apart, and the animals whose genotypes give the frequencies.

Named inputs: genotypes, samples, markers, units, units_summary, genotyping_error, recombination_map (none or one).
Outputs: panel, reference_animals, summary. Params: settings (panel), assignment, cm_per_chromosome, seed. Wildcard:
species.
"""

import json
from functools import partial
from pathlib import Path

from homewater.assignment.unsampled_origin import shared_rates
from homewater.crosses.simulated import study_map
from homewater.genotypes.store import open_genotypes
from homewater.panel.candidates import clear_of_others, for_prior
from homewater.panel.choice import choose, panel_table
from homewater.panel.folds import Settings, deal
from homewater.panel.reference_animals import frequency_sites, reference_table, reference_units
from homewater.panel.size import size_from_curve
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_names


def main(
    genotypes: str,
    samples: str,
    markers: str,
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
    """Read, compute, write; arguments carry the names that the rule gives them."""
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    wanted, foreign_rate = settings["n_markers"], assignment["false_flag_rate"]
    told = {"n_units": n_units, "n_wanted": wanted, "n_markers": 0, "min_spacing_bp": settings["min_spacing_bp"],
            "size_from": settings["size_from"]}  # fmt: skip
    if n_units < 2:
        write_table(empty_table("panel"), panel, "panel")
        write_table(empty_table("reference_animals"), reference_animals, "reference_animals")
        write_json(told, summary)
        return
    error = json.loads(Path(genotyping_error).read_text(encoding="utf-8"))["estimate"]
    store = open_genotypes(genotypes)
    animals = read_table(samples, "samples").set_index("materialSampleID").loc[store.sample_ids].reset_index()
    marker_table = read_table(markers, "markers")
    kept = (marker_table["status"] == "kept").to_numpy()
    varied = for_prior(marker_table, kept)
    clear = clear_of_others(store.markers["chrom"], store.markers["pos"], settings["min_clear_bases"])
    sites, only_contact = frequency_sites(read_table(units, "units"), n_units)
    unit = reference_units(animals, sites)
    if settings["size_from"] == "curve":
        draw = partial(generator, seed, "panel", species)
        table = read_table(recombination_map[0], "input_recombination_map") if recombination_map else None
        chrom, pos = (store.markers[column].to_numpy() for column in ("chrom", "pos"))
        recombination = study_map(chrom, pos, cm_per_chromosome, table)
        ratio_level, _ = shared_rates(assignment, int(marker_table["thinned"].sum()) - wanted)
        limits = Settings.of_study(settings, error, ratio_level, foreign_rate)
        dealt = deal(store, animals, unit, n_units, kept & clear, varied, recombination, limits,
                     settings["folds"], draw("folds"))  # fmt: skip
        choice = size_from_curve(dealt, draw)
        wanted = choice.size
        told |= {"n_wanted": wanted, "size_choice": choice.as_record(limits.sizes)}
    found = choose(
        store,
        unit,
        n_units,
        kept & clear,
        wanted,
        settings["min_call_rate"],
        settings["min_spacing_bp"],
        error,
        foreign_rate,
        varied,
    )
    names = unit_names(n_units)
    told |= {
        "n_markers": min(wanted, len(found.ranking)),
        "n_reserve": max(0, len(found.ranking) - wanted),
        "n_candidates": found.n_candidates,
        "n_near_others": int((kept & ~clear).sum()),
        "n_animals_used": {name: int(((unit == u) & ~found.foreign).sum()) for u, name in enumerate(names)},
        "n_left_out_as_foreign": {name: int(((unit == u) & found.foreign).sum()) for u, name in enumerate(names)},
        "units_with_contact_sites_only": [names[u] for u in only_contact],
        "genotyping_error": error,
        "foreign_rate": foreign_rate,
        "frequency_prior": found.prior.as_record(),
    }
    write_table(panel_table(found, store.markers, wanted), panel, "panel")
    write_table(reference_table(animals, unit, found.foreign), reference_animals, "reference_animals")
    write_json(told, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
