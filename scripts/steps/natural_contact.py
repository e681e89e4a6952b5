"""Rule natural_contact: ancestry from the neighbouring unit beside what the cline lets expect, at each site of a cline.

Named inputs: genotypes, samples, markers, units, reference_animals, cline_sites. Output: table.
"""

import numpy as np
import pandas as pd

from homewater.assignment.natural_contact import ancestry_of_animals, clines_of, contact_table
from homewater.genotypes.store import open_genotypes
from homewater.panel.candidates import copies_of
from homewater.panel.reference_animals import reference_arrays
from homewater.running.step import run_step
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_index


def main(
    genotypes: str, samples: str, markers: str, units: str, reference_animals: str, cline_sites: str, table: str
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    along, reference = read_table(cline_sites, "cline_sites"), read_table(reference_animals, "reference_animals")
    if along.empty or reference.empty:
        write_table(empty_table("natural_contact"), table, "natural_contact")
        return
    store = open_genotypes(genotypes)
    animals = read_table(samples, "samples").set_index("materialSampleID").loc[store.sample_ids].reset_index()
    unit, used = reference_arrays(store.sample_ids, reference)
    own = np.where(used, unit, -1)
    n_units = int(unit.max()) + 1
    thinned = read_table(markers, "markers")["thinned"].to_numpy(bool)
    copies = np.stack(copies_of(store.genotype_counts(own, n_units)), axis=-1)
    local = read_table(units, "units").set_index("locationID")["unit"].fillna("")
    parts = []
    for unit_a, unit_b in clines_of(along):
        sites = along.loc[(along["unit_a"] == unit_a) & (along["unit_b"] == unit_b), "locationID"]
        wanted = (animals["locationID"].isin(sites) & (animals["status"] == "kept")).to_numpy()
        blocks = ((copies[rows], dosages) for rows, dosages in store.blocks(thinned))
        share = ancestry_of_animals(blocks, own, wanted, unit_index(unit_a), unit_index(unit_b))
        here = animals.loc[wanted, ["locationID", "role"]].assign(unit_a=unit_a, unit_b=unit_b, share=share[wanted])
        parts.append(here.assign(local_unit=local.loc[here["locationID"]].to_numpy()))
    write_table(contact_table(along, pd.concat(parts, ignore_index=True)), table, "natural_contact")


if __name__ == "__main__":
    run_step(main, snakemake)
