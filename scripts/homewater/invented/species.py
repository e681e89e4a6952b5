"""One invented species: animals of known origin, bred from simulated haplotypes, then read with errors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from homewater.crosses.gene_drop import PEDIGREES, draw_founders, transmit
from homewater.genotypes.bit_planes import MISSING
from homewater.genotypes.genetic_map import RecombinationMap, map_from_positions
from homewater.invented.faults import collapsed_repeats, contaminate, genotyping_errors, missing_genotypes
from homewater.invented.stocks import StockModel, simulate_chromosome
from homewater.running.seeds import generator, seed_sequence


@dataclass(frozen=True)
class Faults:
    """Planted faults; counts are animals or records, rates are shares of genotypes, shares are of markers."""

    genotyping_error: float = 0.005
    missing: float = 0.03
    replicates: int = 0
    duplicates: int = 0
    failed_samples: int = 0
    contaminated: int = 0
    mislabelled: int = 0
    sibling_families: int = 0
    family_size: int = 4
    bad_marker_share: float = 0.0
    collapsed_share: float = 0.0


@dataclass(frozen=True)
class AnimalGroup:
    """Animals taken at one site.

    Attributes:
        location: locationID.
        home: deme that is stock a.
        counts: animals by class (the names of gene_drop.CLASSES).
        foreign: demes that are stock b, taken in turn.
        role: ``query`` or ``baseline``.
    """

    location: str
    home: int
    counts: dict[str, int]
    foreign: tuple[int, ...] = ()
    role: str = "query"


@dataclass(frozen=True)
class SpeciesPlan:
    """All that is planted in one species.

    Attributes:
        id: species id.
        name: common name.
        scientific_name: invented.
        generation_years: mean age of parents.
        model: history of its stocks.
        locations: locationID of each deme.
        n_baseline: baseline animals at each deme's site.
        groups: further animals.
        contigs: base pairs by chromosome.
        n_snps: markers in all.
        centimorgans: genetic length of each chromosome.
        mapped: whether the study gets a recombination map.
        faults: planted faults.
        sample_prefix: begins every materialSampleID.
        odd_ids: whether ids hold spaces, slashes and letters beyond ASCII.
        named_markers: whether markers have ids (else ``.``).
        length_mm: mean shell or body length, for the optional column.
        listed: demes in the order in which the site list names their sites; the order of the demes by default.
    """

    id: str
    name: str
    scientific_name: str
    generation_years: float
    model: StockModel
    locations: tuple[str, ...]
    n_baseline: tuple[int, ...]
    groups: tuple[AnimalGroup, ...]
    contigs: dict[str, int]
    n_snps: int
    centimorgans: float = 50
    mapped: bool = False
    faults: Faults = field(default_factory=Faults)
    sample_prefix: str = "A"
    odd_ids: bool = False
    named_markers: bool = True
    length_mm: float = 24
    listed: tuple[int, ...] | None = None


@dataclass
class GeneratedSpecies:
    """A species as generated: genotypes in header order, the sample sheet's rows, and the truth.

    Attributes:
        markers: chrom, pos, marker, ref, alt.
        sample_ids: header order.
        dosages: int8 (n_markers, n_records), -1 missing, as read.
        samples: one row a record, in sheet order, with what the sheet will show.
        truth: one row a record, in the same order, with what the sheet does not show.
    """

    markers: pd.DataFrame
    sample_ids: list[str]
    dosages: np.ndarray
    samples: pd.DataFrame
    truth: pd.DataFrame


class _Haplotypes:
    """Counts the haplotypes wanted of each deme, so that no two animals share one."""

    def __init__(self, n_demes: int):
        self.taken = np.zeros(n_demes, dtype=np.int64)

    def take(self, demes: np.ndarray) -> np.ndarray:
        """Return int64 (2, n): deme and running number of a fresh haplotype for each entry of `demes`."""
        numbers = np.empty(len(demes), dtype=np.int64)
        for i, deme in enumerate(demes):
            numbers[i] = self.taken[deme]
            self.taken[deme] += 1
        return np.stack([np.asarray(demes, dtype=np.int64), numbers])


def true_units(model: StockModel, listed: tuple[int, ...] | None = None) -> list[str]:
    """Return the true unit of each deme; a contact deme has its larger part's unit.

    Args:
        model: history of the species.
        listed: demes in the order of the site list, in which units are numbered; the order of the demes by default.
    """
    lineage = list(model.lineage_of_deme)
    for deme, (lower, upper, share) in model.contact.items():
        lineage[deme] = model.lineage_of_deme[lower if share >= 0.5 else upper]
    if model.panmictic:
        lineage = [0] * model.n_demes
    order = list(dict.fromkeys(lineage[deme] for deme in listed or range(model.n_demes)))
    return [f"unit_{order.index(one) + 1}" for one in lineage]


def simulate_haplotypes(
    plan: SpeciesPlan, copies: np.ndarray, seed: int, mapper: Callable = map
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return markers (chrom, pos) and haplotypes, int8 (n_snps, n_copies), demes in order.

    Args:
        plan: the species.
        copies: haplotypes wanted of each deme.
        seed: the study's seed.
        mapper: like `map`; a process pool's map gives the same result.
    """
    lengths = np.array(list(plan.contigs.values()), dtype=float)
    shares = np.diff(np.round(np.concatenate([[0], np.cumsum(lengths)]) / lengths.sum() * plan.n_snps)).astype(int)
    names = list(plan.contigs)
    seeds = [
        tuple(int(w % (2**31 - 2)) + 1 for w in seed_sequence(seed, "generate", plan.id, name).generate_state(3))
        for name in names
    ]
    results = list(
        mapper(
            simulate_chromosome,
            [plan.model] * len(names),
            [copies.tolist()] * len(names),
            shares.tolist(),
            [int(length) for length in lengths],
            [plan.centimorgans] * len(names),
            seeds,
        )
    )
    chrom = np.repeat(names, [len(positions) for positions, _ in results])
    markers = pd.DataFrame({"chrom": chrom, "pos": np.concatenate([positions for positions, _ in results])})
    return markers, np.concatenate([haplotypes for _, haplotypes in results])


def generate_species(plan: SpeciesPlan, seed: int, mapper: Callable = map) -> GeneratedSpecies:
    """Return one species: genotypes as read, its rows of the sample sheet, and the truth.

    Args:
        plan: what to plant.
        seed: the study's seed.
        mapper: like `map`, used over chromosomes.
    """
    pool = _Haplotypes(plan.model.n_demes)
    blocks = _blocks(plan, pool)
    markers, haplotypes = simulate_haplotypes(plan, pool.taken, seed, mapper)
    _name_markers(markers, plan, generator(seed, "generate", plan.id, "markers"))
    offsets = np.concatenate([[0], np.cumsum(pool.taken)])
    recombination = map_from_positions(
        markers["chrom"].to_numpy(), markers["pos"].to_numpy(), plan.centimorgans, plan.contigs
    )
    rng = generator(seed, "generate", plan.id, "crosses")
    dosages, shares = [], []
    for block in blocks:
        founders = [haplotypes[:, offsets[deme] + number] for deme, number in block["founders"]]
        bred, share = _breed(block, founders, recombination, rng)
        dosages.append(bred)
        shares.append(share)
    table = pd.concat([_rows(block, share) for block, share in zip(blocks, shares, strict=True)], ignore_index=True)
    units = true_units(plan.model, plan.listed)
    table["home_unit"] = [units[deme] for deme in table.pop("home")]
    table["foreign_unit"] = [units[deme] if deme >= 0 else "" for deme in table["foreign"]]
    table["foreign_locationID"] = [plan.locations[deme] if deme >= 0 else "" for deme in table.pop("foreign")]
    return _read(plan, markers, np.concatenate(dosages, axis=1), table, seed)


def _blocks(plan: SpeciesPlan, pool: _Haplotypes) -> list[dict]:
    """Return groups of animals of one class and site, each with the haplotypes of its founders."""
    blocks = []
    families = np.zeros(plan.model.n_demes, dtype=int)
    size = plan.faults.family_size
    roomy = [deme for deme, n in enumerate(plan.n_baseline) if n >= 2 * size]
    for number in range(plan.faults.sibling_families if roomy else 0):
        families[roomy[number % len(roomy)]] += 1
    for deme, (location, n) in enumerate(zip(plan.locations, plan.n_baseline, strict=True)):
        n_families = min(int(families[deme]), n // (2 * size))
        common = {"location": location, "role": "baseline", "home": deme, "foreign": -1}
        for family in range(n_families):
            founders = [pool.take(np.array([deme])) for _ in range(4)]
            blocks.append(
                common | {"class": "siblings", "founders": founders, "n": size, "family": f"{location}:{family + 1}"}
            )
        n_single = n - n_families * size
        if n_single:
            founders = [pool.take(np.full(n_single, deme)) for _ in range(2)]
            blocks.append(common | {"class": "pure_a", "founders": founders, "n": n_single, "family": ""})
    for group in plan.groups:
        for class_name, n in group.counts.items():
            if not n:
                continue
            foreign = np.resize(np.array(group.foreign or (-1,), dtype=np.int64), n)
            stocks = {"a": np.full(n, group.home), "b": foreign}
            founders = [pool.take(stocks[stock]) for stock in _founder_stocks(class_name)]
            blocks.append(
                {
                    "class": class_name,
                    "location": group.location,
                    "role": group.role,
                    "home": group.home,
                    "foreign": -1 if class_name == "pure_a" else foreign,
                    "founders": founders,
                    "n": n,
                    "family": "",
                }
            )
    return blocks


def _founder_stocks(class_name: str) -> str:
    """Return the stocks of a class's founder gametes, in the order in which `draw_founders` numbers them."""

    def walk(source: str | tuple) -> str:
        return source if isinstance(source, str) else "".join(walk(parent) for parent in source)

    return "".join(walk(parent) for parent in PEDIGREES[class_name])


def _breed(
    block: dict, founders: list[np.ndarray], recombination: RecombinationMap, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return dosages, int8 (n_loci, n), and the share of copies that come from stock b, float64 (n,), of one block."""
    n = block["n"]
    if block["class"] == "siblings":
        mother, father = np.concatenate(founders[:2], axis=1).T, np.concatenate(founders[2:], axis=1).T
        gametes = [transmit(parent, recombination, rng, n) for parent in (mother, father)]
        return (gametes[0] + gametes[1]).astype(np.int8), np.zeros(n)
    labels, origin = draw_founders(block["class"], recombination, n, rng)
    dosages = np.zeros((recombination.n_loci, n), dtype=np.int8)
    for copy in labels:
        for number, alleles in enumerate(founders):
            dosages += np.where(copy == number, alleles, 0).astype(np.int8)
    return dosages, origin[labels].mean(axis=(0, 1))


def _rows(block: dict, share: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "locationID": block["location"],
            "role": block["role"],
            "true_class": "pure_a" if block["class"] == "siblings" else block["class"],
            "foreign_share": share,
            "home": block["home"],
            "foreign": block["foreign"],
            "family": block["family"],
        },
        index=range(block["n"]),
    )


def _name_markers(markers: pd.DataFrame, plan: SpeciesPlan, rng: np.random.Generator) -> None:
    """Add marker, ref and alt to a table of chrom and pos; the alternate allele is the derived one."""
    bases = np.array(list("ACGT"))
    ref = rng.integers(4, size=len(markers))
    alt = (ref + rng.integers(1, 4, size=len(markers))) % 4
    markers["marker"] = [f"{plan.id}_{i + 1:06d}" for i in range(len(markers))] if plan.named_markers else "."
    markers["ref"], markers["alt"] = bases[ref], bases[alt]


def _copies(plan: SpeciesPlan, table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the records that genotype an animal again: declared replicates, and duplicates that nobody declared."""
    baseline = np.flatnonzero((table["role"] == "baseline") & (table["family"] == ""))
    chosen = rng.choice(
        baseline, size=min(plan.faults.replicates + plan.faults.duplicates, len(baseline)), replace=False
    )
    copies = table.iloc[chosen].copy()
    copies["animal"] = chosen
    copies["fault"] = ["replicate"] * plan.faults.replicates + ["duplicate"] * (len(copies) - plan.faults.replicates)
    # every second duplicate turns up at another site, which no honest animal does
    for row in range(plan.faults.replicates + 1, len(copies), 2):
        others = [place for place in plan.locations if place != copies["locationID"].iloc[row]]
        copies.iloc[row, copies.columns.get_loc("locationID")] = others[int(rng.integers(len(others)))]
    return copies


def _mislabel(plan: SpeciesPlan, table: pd.DataFrame, rng: np.random.Generator) -> None:
    """Swap the labels of animals of two sites, the farthest apart that have any, and say so in `fault`."""
    usable = [i for i, n in enumerate(plan.n_baseline) if n > plan.faults.mislabelled]
    if not plan.faults.mislabelled or len(usable) < 2:
        return
    places = plan.locations[usable[0]], plan.locations[usable[-1]]
    plain = (table["fault"] == "") & (table["role"] == "baseline") & (table["family"] == "")
    picks = [
        rng.choice(table.index[plain & (table["locationID"] == p)], plan.faults.mislabelled, False) for p in places
    ]
    for pick, wrong in zip(picks, places[::-1], strict=True):
        table.loc[pick, "locationID"] = wrong
        table.loc[pick, "fault"] = "mislabelled"


def _ids(plan: SpeciesPlan, table: pd.DataFrame) -> list[str]:
    """Return one id a record: site and running number within it, as a field team would label."""
    seen: dict[str, int] = {}
    ids = []
    for place in table["locationID"]:
        seen[place] = seen.get(place, 0) + 1
        plain = f"{plan.sample_prefix}-{place}-{seen[place]:03d}"
        ids.append(f"{plan.sample_prefix}-{place}/{seen[place]:02d} å" if plan.odd_ids else plain)
    return ids


def _read(
    plan: SpeciesPlan, markers: pd.DataFrame, true: np.ndarray, table: pd.DataFrame, seed: int
) -> GeneratedSpecies:
    """Return the species as a laboratory would read it, with its planted faults."""
    rng = generator(seed, "generate", plan.id, "faults")
    faults = plan.faults
    table["animal"], table["fault"], table["true_locationID"] = np.arange(len(table)), "", table["locationID"]
    copies = _copies(plan, table, rng)
    table = pd.concat([table, copies], ignore_index=True)
    _mislabel(plan, table, rng)
    table = table.iloc[np.argsort([*map(_place_order(plan), table["locationID"])], kind="stable")].reset_index(
        drop=True
    )
    table.insert(0, "materialSampleID", _ids(plan, table))
    first = table[~table["fault"].isin(["replicate", "duplicate"])].set_index("animal")["materialSampleID"]
    same = table["fault"].isin(["replicate", "duplicate"])
    table["same_animal_as"] = [first[a] if again else "" for a, again in zip(table["animal"], same, strict=True)]
    table["replicateOf"] = table["same_animal_as"].where(table["fault"] == "replicate", "")

    free = rng.permutation(np.flatnonzero((table["fault"] == "") & ~table["animal"].duplicated(keep=False)))
    failed = np.sort(free[: faults.failed_samples])
    mixed = np.sort(free[faults.failed_samples : faults.failed_samples + faults.contaminated])
    table.loc[failed, "fault"], table.loc[mixed, "fault"] = "failed", "contaminated"
    dosages = true[:, table["animal"].to_numpy()]
    for record in mixed:
        neighbours = np.flatnonzero((table["locationID"] == table["locationID"][record]) & (table.index != record))
        if len(neighbours):
            dosages[:, record] = contaminate(dosages[:, record], dosages[:, rng.choice(neighbours)])
    collapsed = np.zeros(0, dtype=np.int64)
    if faults.collapsed_share:
        dosages, collapsed = collapsed_repeats(dosages, faults.collapsed_share, rng)
    dosages = genotyping_errors(dosages, faults.genotyping_error, rng)
    dosages[missing_genotypes(dosages.shape, faults.missing, rng, failed, faults.bad_marker_share)] = MISSING
    markers = markers.assign(collapsed=np.isin(np.arange(len(markers)), collapsed))
    header = rng.permutation(len(table))  # laboratories order plates, not sites
    ids = table["materialSampleID"].tolist()
    sheet = ["materialSampleID", "locationID", "role", "replicateOf"]
    return GeneratedSpecies(markers, [ids[i] for i in header], dosages[:, header], table[sheet], table)


def _place_order(plan: SpeciesPlan) -> Callable[[str], int]:
    places = list(dict.fromkeys([*plan.locations, *(group.location for group in plan.groups)]))
    return lambda place: places.index(place)
