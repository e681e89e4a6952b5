"""Invented windows and blocks of the genome, for the tests of the report."""

import numpy as np
import pandas as pd

from homewater.tables.schema_tables import empty_table


def block_tables(wild: list[str], with_blocks: bool) -> dict[str, pd.DataFrame]:
    """Return the tables of windows and blocks of a species.

    Args:
        wild: wild sites.
        with_blocks: an arrangement that is left out and a differentiation that stays in; else windows alone.
    """
    number = np.arange(60)
    windows = pd.DataFrame({"chrom": [f"chr{i // 6 + 1}" for i in number], "start": 1 + number % 6 * 8_000_000})
    windows = windows.assign(end=windows["start"] + 7_900_000, n_markers=80, n_tested=75)
    windows = windows.assign(fst=0.02 + 0.002 * np.cos(number), detectable_fst=0.013, level=1.0, departure=1.4)
    windows = windows.assign(p_value=0.4, q_value=0.9, linkage=0.95, linkage_q_value=0.8, block="")
    names = ("genome_blocks", "block_animals", "block_sites")
    tables = {"genome_windows": windows} | {name: empty_table(name) for name in names}
    if not with_blocks:
        return tables
    for name, first, last in (("block_1", 12, 17), ("block_2", 30, 31)):
        windows.loc[first:last, ["fst", "q_value"]] = [0.21, 1e-6]
        windows.loc[first:last, "block"] = name
    rest = {"rest_fst": 0.021, "rest_ci_low": 0.019, "rest_ci_high": 0.023}
    one = {"block": "block_1", "chrom": "chr3", "start": 1, "end": 47_900_000, "n_markers": 480, "q_value": 1e-6}
    other = {"block": "block_2", "chrom": "chr6", "start": 1, "end": 15_900_000, "n_markers": 160, "q_value": 0.003}
    fst = {"fst": 0.21, "ci_low": 0.18, "ci_high": 0.24} | rest
    one |= {"reading": "arrangement", "left_out": True}
    other |= {"reading": "differentiation", "left_out": False}
    tables["genome_blocks"] = pd.DataFrame([one | fst, other | fst])[empty_table("genome_blocks").columns]
    along = np.linspace(0.1, 0.9, len(wild))
    sites = pd.DataFrame(
        {"locationID": wild, "n": 20, "frequency": along, "ci_low": along - 0.08, "ci_high": along + 0.08}
    )
    tables["block_sites"] = pd.concat(
        [sites.assign(block="block_1", what="arrangement"), sites.assign(block="block_2", what="axis")],
        ignore_index=True,
    )
    return tables
