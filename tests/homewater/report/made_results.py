"""Invented results of a whole study, quick to make, for the tests of the report. No number here was measured."""

import itertools

import numpy as np
import pandas as pd
from tests.homewater.report.made_blocks import block_tables

from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.tables.report_tables import REPORT_FILES
from homewater.tables.schema_tables import empty_table
from homewater.transfers.source_ranking import Measured, source_ranking

NAMES, PLACES = ["Skarn", "Dun", "Holm", "Voe", "Geo", "Noup"], ["Ness", "Sound", "Bay"]
CLASSES = ["pure_a", "pure_b", "F1", "F2", "backcross_a", "backcross_b", "second_backcross_a", "second_backcross_b"]


def site_table(n_wild: int = 12, n_farm: int = 3, odd: bool = False) -> pd.DataFrame:
    """Return sites along an invented coast that runs north-east; the list is not in coastal order."""
    n = n_wild + n_farm
    along = np.linspace(0, 1, n)
    sites = pd.DataFrame(
        {
            "locationID": [f"V{i + 1:02d}" if i < n_wild else f"F{i - n_wild + 1:02d}" for i in range(n)],
            "locality": [f"{NAMES[i % 6]} {PLACES[i % 3]}" for i in range(n)],
            "decimalLatitude": 54 + 6 * along,
            "decimalLongitude": -24 + 2.5 * along + 0.5 * np.sin(9 * along),
            "jurisdiction": ["Vessland" if i < 0.6 * n_wild else "Aldermark" for i in range(n)],
            "waterBody": "",
            "kind": ["wild"] * n_wild + ["farm"] * n_farm,
            "fishing": ["closed" if i == 2 else "open" if i < n_wild else "" for i in range(n)],
        }
    )
    if odd:
        sites["locationID"] = [f"S-{i:02d}/<ж>&{i}" for i in range(n)]
        sites["locality"] = [f"Ćmielów & <b>{{x}}</b> $y$ *{i}*" for i in range(n)]
    order = [*range(1, n, 2), *range(0, n, 2)]
    return sites.iloc[order].reset_index(drop=True)


def land_of(sites: pd.DataFrame) -> dict:
    """Return GeoJSON: a mainland east of the sites and a few islands."""
    sites = sites.sort_values("decimalLatitude")
    coast = [
        [x + 0.12 + 0.1 * (i % 2), y]
        for i, (x, y) in enumerate(zip(sites["decimalLongitude"], sites["decimalLatitude"], strict=True))
    ]
    coast = [[coast[0][0], 50.0], *coast, [coast[-1][0], 63.0]]
    rings = [[*coast, [-10.0, 63.0], [-10.0, 50.0], coast[0]]]
    for x, y in coast[2:-2:4]:
        angle = np.linspace(0, 2 * np.pi, 17)
        island = [[x - 0.5 + 0.12 * np.cos(a), y + 0.08 * np.sin(a)] for a in angle[:-1]]
        rings.append([*island, island[0]])
    features = [
        {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}} for ring in rings
    ]
    return {"type": "FeatureCollection", "features": features}


def sea_table(sites: pd.DataFrame) -> pd.DataFrame:
    """Return distances along the invented coast."""
    rows = []
    for (_, a), (_, b) in itertools.combinations(sites.iterrows(), 2):
        km = 111.2 * 1.2 * abs(a["decimalLatitude"] - b["decimalLatitude"])
        rows.append((a["locationID"], b["locationID"], km))
    return pd.DataFrame(rows, columns=["site_a", "site_b", "sea_km"])


def cline_tables(breaks: list[tuple[str, str]], unit: dict[str, str], coastal: list[str]) -> dict[str, pd.DataFrame]:
    """Return a cline at the first line, a mere step at the second, and none at the third."""
    clines, sites = [], []
    for number, (a, b) in enumerate(breaks):
        row = {"unit_a": unit[a], "unit_b": unit[b], "status": "fitted", "open_ends": ""}
        own = [s for s in coastal if unit[s] in (unit[a], unit[b])]
        row["n_sites"], at = len(own), 40.0 * np.arange(len(own))
        middle = 40.0 * own.index(b) - 20
        if number == 2:
            clines.append(row | {"status": "not_linear"})
            continue
        row |= {"centre_km": middle, "centre_ci_low": middle - 7, "centre_ci_high": middle + 9}
        row["dispersion"] = 1.0 + number
        row |= {"width_km": 52.0, "width_ci_low": 31.0, "width_ci_high": 88.0}
        row |= {"centre_between_a": a, "centre_between_b": b}
        if number == 1:
            row |= {"width_km": np.nan, "width_ci_low": np.nan, "open_ends": "width_not_bounded_below"}
        clines.append(row)
        share = 1 / (1 + np.exp(-4 * (at - middle) / (52 if number == 0 else 4)))
        of_sites = {"locationID": own, "unit_a": unit[a], "unit_b": unit[b], "km_along": at, "observed_share": share}
        of_sites |= {"observed_ci_low": share * 0.9, "observed_ci_high": share * 0.9 + 0.1, "expected_share": share}
        sites.append(pd.DataFrame(of_sites | {"basis": "measured"}))
        if number == 0:
            sites[-1].loc[0, ["observed_ci_low", "observed_ci_high"]] = np.nan
            sites[-1].loc[0, "basis"] = "by_definition"
    names = ["centre_km", "centre_ci_low", "centre_ci_high", "width_km", "width_ci_low", "width_ci_high"]
    names = [
        "unit_a",
        "unit_b",
        "n_sites",
        *names,
        "centre_between_a",
        "centre_between_b",
        "status",
        "open_ends",
        "dispersion",
    ]
    of_sites = pd.concat(sites) if sites else pd.DataFrame(columns=["locationID", "unit_a", "unit_b"])
    return {"clines": pd.DataFrame(clines, columns=names), "cline_sites": of_sites}


def species_tables(
    identifier: str,
    sites: pd.DataFrame,
    sea: pd.DataFrame,
    n_units: int,
    seed: int,
    query: bool,
    transfers: pd.DataFrame,
) -> tuple[dict[str, pd.DataFrame], dict, dict]:
    """Return the tables of one species, its units/summary.json and its genotyping error."""
    random = np.random.default_rng(seed)
    order = sites.sort_values("decimalLatitude")["locationID"].tolist()
    wild = [s for s in order if sites.set_index("locationID").loc[s, "kind"] == "wild"]
    number = {s: min(int(i * n_units / len(wild)), n_units - 1) + 1 for i, s in enumerate(wild)}
    inside = {s: number.get(s, n_units if i < len(order) - 1 else 0) for i, s in enumerate(order)}
    unit = {s: f"unit_{u}" if u else "" for s, u in inside.items()}
    wild = [s for s in sites["locationID"] if s in number]  # site order
    counts = {s: int(random.integers(8, 30)) for s in wild}
    counts[wild[-1]] = 2
    rows = [(f"{identifier}-{s}-{i}", s, "baseline") for s in wild for i in range(counts[s])]
    if query:
        rows += [(f"{identifier}-q-{s}-{i}", s, "query") for s in order[-3:] for i in range(15)]
    animals = pd.DataFrame(rows, columns=["materialSampleID", "locationID", "role"])
    animals = animals.assign(
        status=np.where(random.random(len(rows)) < 0.03, "removed", "kept"),
        reason="",
        flags="",
        call_rate=0.97,
        heterozygosity=0.3,
    )
    animals.loc[animals["status"] == "removed", "reason"] = "call_rate"
    kept = animals[animals["status"] == "kept"]
    tables: dict[str, pd.DataFrame] = {"animals": animals}
    tables["site_roles"] = pd.DataFrame(
        {
            "locationID": sites["locationID"],
            "kind": sites["kind"],
            "in_native_range": [bool(unit[s]) for s in sites["locationID"]],
            "defines": [s in number for s in sites["locationID"]],
        }
    )
    lost = len(rows) - len(kept)
    tables["filter_summary"] = pd.DataFrame(
        [
            ("sample_call_rate", len(rows), lost, len(kept), "samples", None, None),
            ("kin", len(kept), 0, len(kept), "samples", 4, 0.3),
            ("call_rate", 24000, 600, 23400, "markers", None, None),
            ("minor_allele_frequency", 23400, 2100, 21300, "markers", None, None),
            ("hardy_weinberg", 21300, 84, 21216, "markers", None, None),
        ],
        columns=["step", "before", "removed", "after", "what", "flagged", "expected_false_flags"],
    )
    tables["kin_thinning"] = pd.DataFrame(
        {
            "locationID": wild,
            "n_with_kin": [counts[s] for s in wild],
            "n": [counts[s] - 3 * (i == 1 and n_units != 2) for i, s in enumerate(wild)],
            "n_families": [int(i == 1 and n_units != 2) for i in range(len(wild))],
            "expected_heterozygosity_with_kin": 0.281,
            "expected_heterozygosity": 0.283,
            "mean_fst_with_kin": 0.0312,
            "mean_fst": 0.0301,
        }
    )
    conflicts = [("strand_flipped", 3), ("ambiguous_strand", 4), ("animal_conflicts", 7), ("not_listed", 12)]
    tables["file_conflicts"] = pd.DataFrame(conflicts, columns=["kind", "n"]).iloc[: 4 * (n_units == 2)]
    tables["batch_effects"] = pd.DataFrame(
        [(wild[0], "plate_1", "plate_2", 5, 6, 0.0041, 0.0012, 0.007, 0.002, 0.002)][: n_units - 1],
        columns=["locationID", "batch_a", "batch_b", "n_a", "n_b", "fst", "ci_low", "ci_high", "p_value", "q_value"],
    )
    h = 0.28 + 0.02 * random.random(len(wild))
    tables["site_diversity"] = pd.DataFrame(
        {
            "locationID": wild,
            "n": [counts[s] for s in wild],
            "observed_heterozygosity": h - 0.004,
            "observed_heterozygosity_ci_low": h - 0.009,
            "observed_heterozygosity_ci_high": h + 0.002,
            "expected_heterozygosity": h,
            "expected_heterozygosity_ci_low": h - 0.004,
            "expected_heterozygosity_ci_high": h + 0.004,
            "inbreeding_coefficient": 0.01,
            "inbreeding_coefficient_ci_low": -0.004,
            "inbreeding_coefficient_ci_high": 0.024,
            "private_alleles": 3,
            "effective_size": np.where(np.arange(len(wild)) % 4 == 0, np.inf, 834.2),
            "effective_size_ci_low": 410.0,
            "effective_size_ci_high": np.inf,
            "effective_size_left_out": 2,
        }
    )
    rows = []
    km = {frozenset((a, b)): d for a, b, d in sea.itertuples(index=False)}
    for a, b in itertools.combinations(wild, 2):
        f = 0.00001 * km[frozenset((a, b))] + 0.045 * (unit[a] != unit[b]) + random.normal(0, 0.0008)
        p = 0.001 if f > 0.003 else float(random.random())
        rows.append((a, b, f, f - 0.002, f + 0.002, p, p, km[frozenset((a, b))], counts[a], counts[b]))
    tables["pairwise_fst"] = pd.DataFrame(
        rows, columns=["site_a", "site_b", "fst", "ci_low", "ci_high", "p_value", "q_value", "sea_km", "n_a", "n_b"]
    )
    axis = np.array([inside[s] for s in kept["locationID"]], float)
    of_class = {"distance_class": ["1", "2", "3", "other_chromosomes"], "unit": "kb"}
    of_class |= {"distance_low": [0.0, 10, 100, np.nan], "distance_high": [10.0, 100, 1000, np.nan]}
    of_class |= {"distance": [4.2, 31.0, 330.0, np.nan], "n_pairs": [800, 2000, 2000, 2000]}
    of_class |= {"r2": [0.31, 0.12, 0.004, 0.001], "r2_ci_low": 0.0005, "r2_ci_high": 0.33}
    excess = np.array([0.309, 0.119, 0.003, np.nan])
    of_class |= {"excess": excess, "excess_ci_low": excess - 0.004, "excess_ci_high": excess + 0.005}
    tables["linkage_decay"] = pd.DataFrame(of_class)
    near = {"nearest_distance": 4.2, "nearest_excess": 0.309, "nearest_excess_ci_low": 0.305}
    reached = {"half_distance": 26.0, "half_distance_ci_low": 21.0, "half_distance_ci_high": 33.0}
    reached |= {"reach": 81.0, "reach_ci_low": 60.0, "reach_ci_high": 99.0, "nearest_excess_ci_high": 0.314}
    one = {"unit": "kb", "window": 1000.0, "n_sites": len(wild), "against": "other_chromosomes"}
    tables["linkage_reach"] = pd.DataFrame([one | near | reached | {"reading": "wide_enough"}])
    tables["pca"] = kept[["materialSampleID", "locationID"]].assign(
        pc1=4 * axis + random.normal(0, 1, len(kept)), pc2=random.normal(0, 1, len(kept))
    )
    tables["pca_axes"] = pd.DataFrame(
        {
            "axis": [1, 2],
            "eigenvalue": [3.0, 1.0],
            "variance_share": [0.121, 0.013],
            "projection_shrinkage": [0.98, 0.4],
            "p_value": [1e-9, 0.31],
            "beyond_chance": [True, False],
        }
    )
    tables["group_number"] = pd.DataFrame(
        {
            "k": [1, 2, 3, 4, 5],
            "held_out_loss": 0.5,
            "standard_error": 0.001,
            "chosen": [k == n_units + (n_units == 4) for k in range(1, 6)],
            "n_starts": [9 if n_units == 4 and k == 5 else 3 * (k == n_units) for k in range(1, 6)],
            "n_starts_agree": [1 if n_units == 4 and k == 5 else 2 * (k == n_units) for k in range(1, 6)],
            "reported": [k == n_units for k in range(1, 6)],
        }
    )
    odd = [(s, wild[i - 1], 60.0, wild[i - 2], 610.0, 0.021, 0.004, 0.0173, 0.014, 0.0206) for i, s in enumerate(wild)]
    columns = ["locationID", "near_site", "near_km", "far_site", "far_km", "fst_near", "fst_far", "excess"]
    tables["odd_kinships"] = pd.DataFrame(odd, columns=[*columns, "ci_low", "ci_high"]).assign(
        odd=[s == wild[1] and n_units > 1 for s in wild], detectable_excess=0.0031
    )
    tables["site_years"] = years_table(wild, n_units)
    tables["frequency_spectrum"] = spectrum_table(n_units)
    scopes = ["all"] + [f"unit_{u + 1}" for u in range(n_units)]
    tables["overall_fst"] = pd.DataFrame(
        {
            "scope": scopes,
            "n_sites": len(wild),
            "animals_a_site": 9,
            "n_markers": 21000,
            "fst": 0.0312,
            "ci_low": 0.0301,
            "ci_high": 0.0323,
            "n_animals": len(kept),
            "fst_all_animals": 0.0287,
            "ci_low_all_animals": 0.0271,
            "ci_high_all_animals": 0.0303,
        }
    )
    tables["groups_within_units"] = pd.DataFrame(
        [(unit_name, k, k == 1 + (unit_name == "unit_2"), 70) for unit_name in scopes[1:] for k in (1, 2)],
        columns=["unit", "k", "chosen", "n_animals"],
    )
    share = random.dirichlet([0.12] * max(n_units, 1), len(kept)) * 0.1
    for row, u in enumerate(axis.astype(int)):
        share[row, max(u - 1, 0)] += 1 - share[row].sum()
    tables["ancestry"] = kept[["materialSampleID", "locationID"]].assign(
        **{f"group_{k + 1}": share[:, k] for k in range(n_units)}
    )
    tables["isolation_by_distance"] = pd.DataFrame(
        {"scope": ["all"], "n_sites": [len(wild)], "slope": [1.1e-5], "correlation": [0.74], "p_value": [1e-6],
         "slope_site_effects": [1e-5], "ci_low_site_effects": [-1e-6], "ci_high_site_effects": [2.1e-5],
         "p_value_stated": [0.0012], "p_value_without_one": [0.31], "site_that_matters_most": [wild[1]],
         "reading": ["isolation_by_distance"]}
    )  # fmt: skip
    coastal = [s for s in order if s in number]
    breaks = [(a, b) for a, b in itertools.pairwise(coastal) if unit[a] != unit[b]]
    rows = [
        (f"break_{i + 1}", a, b, 0.045, 0.041, 0.049, 0.0005, "strong", "boundary", 0)
        for i, (a, b) in enumerate(breaks)
    ]
    tables["breaks"] = pd.DataFrame(
        rows,
        columns=[
            "break",
            "side_a_nearest_site",
            "side_b_nearest_site",
            "fst_beyond_distance",
            "ci_low",
            "ci_high",
            "p_value",
            "grade",
            "reading",
            "n_contact_sites",
        ],
    )
    apart = coastal[:1] if n_units > 1 else []
    tables["site_drift"] = pd.DataFrame(
        [
            (s, 0.031, 0.027, 0.035, "stands_apart", True) if s in apart else (s, 0.002, 0.0, 0.004, "ordinary", False)
            for s in coastal
        ],
        columns=["locationID", "own_drift", "ci_low", "ci_high", "reading", "at_end"],
    )
    found = [(name, "line") for name in tables["breaks"]["break"]] + [(s, "site_apart") for s in apart]
    tables["line_support"] = pd.DataFrame(
        [
            (name, kind, 1.0, 9, 0.95, 20, None, 0, True, k == 0, 0.95, ("firm", "fair")[k > 0])
            for k, (name, kind) in enumerate(found)
        ],
        columns=list(empty_table("line_support").columns),
    )
    tables["variance_shares"] = pd.DataFrame(
        [
            ("jurisdiction", 0.021, 0.018, 0.024, 5, 11, 2, 0.0012, -0.0003, 0.0027),
            ("unit", 0.043, 0.04, 0.046, None, None, n_units, None, None, None),
        ][: 1 + (n_units > 1)],
        columns=[
            "grouping",
            "share",
            "ci_low",
            "ci_high",
            "rank_among_placements",
            "n_placements",
            "n_groups",
            "beyond_units_fst",
            "beyond_ci_low",
            "beyond_ci_high",
        ],
    )
    tables |= cline_tables(breaks, unit, coastal)
    tables["units"] = pd.DataFrame(
        {
            "locationID": sites["locationID"],
            "unit": [unit[s] for s in sites["locationID"]],
            "jurisdiction": sites["jurisdiction"],
            "contact_zone": [bool(breaks) and s == breaks[0][1] for s in sites["locationID"]],
            "basis": [
                "own_animals" if s in number else "nearest_by_water" if unit[s] else "none" for s in sites["locationID"]
            ],
        }
    )
    many = n_units > 1
    panel = pd.DataFrame(
        {
            "rank": range(1, 85),
            "marker": [f"m{i}" for i in range(84)],
            "chrom": "chr1",
            "pos": range(84),
            "ref": "A",
            "alt": "C",
            "allele_frequency_difference": np.linspace(0.9, 0.4, 84),
        }
    )
    tables["panel"] = panel if many else panel.iloc[:0]
    curve = pd.DataFrame(
        {
            "n_markers": [12, 24, 48, 84, 120],
            "nested_accuracy": [0.91, 0.96, 0.985, 0.995, 0.996],
            "ci_low": [0.88, 0.94, 0.97, 0.987, 0.988],
            "ci_high": [0.93, 0.975, 0.99, 0.998, 0.999],
            "f1_sensitivity": [0.5, 0.8, 0.97, 0.999, 1],
            "backcross_sensitivity": [0.2, 0.4, 0.7, 0.9, 0.95],
            "resubstitution_accuracy": [0.95, 0.98, 0.99, 1, 1],
            "random_panel_accuracy": [0.6, 0.7, 0.78, 0.83, 0.87],
        }
    )
    tables["size_curve"] = curve if many else curve.iloc[:0]
    names = [f"unit_{u + 1}" for u in range(n_units)]
    confusion = [(a, b, 99 if a == b else 1) for a in names for b in names]
    tables["confusion"] = pd.DataFrame(confusion if many else [], columns=["true_unit", "called_unit", "n"])
    tables["controls"], tables["calibration"] = proof_tables(many)
    outcome = random.choice(["local", "non_local", "mixed", "unresolved"], len(kept), p=[0.9, 0.03, 0.05, 0.02])
    calls = kept[["materialSampleID", "locationID", "role"]].assign(
        local_unit=[unit[s] for s in kept["locationID"]],
        best_unit="unit_1",
        posterior=0.99,
        log_likelihood_ratio=5.0,
        outcome=outcome,
    )
    tables["calls"] = calls if many else calls.iloc[:0]
    classes = calls[["materialSampleID", "locationID"]].assign(
        unit_a="unit_1",
        unit_b=np.where(outcome == "local", "", "unit_2"),
        **{"class": random.choice(CLASSES, len(kept))},
        verdict_class="F1",
        posterior=0.99,
        **{f"p_{c}": 0.1 for c in CLASSES},
        hybrid_index=0.5,
        hybrid_index_ci_low=0.4,
        hybrid_index_ci_high=0.6,
        interclass_heterozygosity=0.8,
    )
    classes["verdict_class"] = np.where(
        random.random(len(kept)) < 0.1, "backcross_a+second_backcross_a", classes["class"]
    )
    tables["origin_classes"] = classes if many else classes.iloc[:0]
    power = [(a, b, 0.86 if a == b else 0.02) for a in CLASSES for b in CLASSES]
    tables["class_power"] = pd.DataFrame(power if many else [], columns=["true_class", "called_class", "rate"])
    rates = []
    for s in [s for s in sites["locationID"] if (calls["locationID"] == s).any()]:
        own = calls[calls["locationID"] == s]
        k = int(own["outcome"].isin(["non_local", "mixed"]).sum())
        raw = k / len(own)
        rates.append(
            (
                s,
                len(own),
                int((own["outcome"] == "non_local").sum()),
                int((own["outcome"] == "mixed").sum()),
                int((own["outcome"] == "unresolved").sum()),
                raw,
                raw,
                max(0, raw - 0.05),
                min(1, raw + 0.09),
                0.02,
            )
        )
    columns = [
        "locationID",
        "n",
        "n_non_local",
        "n_mixed",
        "n_unresolved",
        "raw_rate",
        "rate",
        "ci_low",
        "ci_high",
        "expected_false",
    ]
    tables["site_rates"] = pd.DataFrame(rates if many else [], columns=columns)
    tables["site_year_rates"] = tables["site_rates"].assign(year=2021)
    of_unit = [(u, c, 3, 120, 4, 6, 2, 0.08, 0.09, 0.05, 0.14, 0.12, 107, 1, 0) for u in names for c in (False, True)]
    columns = ["unit", "contact_zone", "n_sites", "n", "n_non_local", "n_mixed", "n_unresolved", "raw_rate", "rate"]
    columns += ["ci_low", "ci_high", "expected_false", "n_local", "n_unsampled_origin", "n_too_few_markers"]
    tables["unit_rates"] = pd.DataFrame(of_unit if many else [], columns=columns)
    tables["mixture_shares"] = mixture(sites, calls, names if many else [])
    tables["natural_contact"] = contact(wild if many else [])
    tables["mixing_dates"] = dates(wild if many else [])
    tables |= block_tables(list(wild), many)
    flow = [
        ("unit_1", "unit_1", 1200, False, 7, 0, 31),
        ("unit_1", "none", 400, None, 2, 0, None),
        ("untraced", "unit_1", 120, None, 3, 1, None),
    ]
    if many:
        flow.insert(1, ("unit_1", "unit_2", 15200, True, 21, 0, 800))
    moved = (transfers["species"] == identifier).any()
    tables["flows"] = pd.DataFrame(
        flow if moved else [],
        columns=[
            "source_unit",
            "destination_unit",
            "individuals",
            "crosses_boundary",
            "transfers",
            "transfers_without_count",
            "lost_or_dead",
        ],
    )
    tables["flows"].insert(0, "species", identifier)
    measured = Measured(n_units, tables["pairwise_fst"], sea, tables["site_rates"])
    tables["source_ranking"] = source_ranking(transfers, sites, tables["units"], measured, identifier, 0.05)
    assert set(tables) == {name for name, path in REPORT_FILES.items() if path.endswith(".csv")}
    values = {
        "n_units": n_units,
        "n_sites_tested": len(wild) - 1,
        "smallest_detectable_fst": 0.012,
        "power": 0.8,
        "level": 0.05,
        "min_break_fst": 0.01,
        "gradient_slope": 1.1e-5,
        "gradient_p_value": 0.0004,
        "largest_break_fst": 0.045,
        "largest_break_ci_low": 0.041,
        "largest_break_ci_high": 0.049,
        "largest_break_side_a": coastal[0],
        "largest_break_side_b": coastal[1],
    }
    summary = {
        "n_units": n_units,
        "smallest_detectable_fst": {
            "value": 0.012,
            "value_worst": 0.016,
            "value_contact": 0.021,
            "reason": None,
            "replicates": 200,
            "places": [
                {
                    "kind": kind,
                    "side_a": coastal[1],
                    "side_b": coastal[2],
                    "n_contact_sites": 4 * (kind == "contact"),
                    "value": value,
                    "ci_low": low,
                    "ci_high": high,
                    "fst_seen_by_half": half,
                    "fst_seen_by_95": most,
                }
                for kind, half, value, low, high, most in (
                    ("best_sampled", 0.010, 0.012, 0.011, 0.013, 0.014),
                    ("worst_sampled", 0.014, 0.016, 0.015, 0.018, 0.021),
                    ("contact", 0.017, 0.021, 0.020, 0.023, 0.027),
                )
            ],
        },
        "power": 0.8,
        "statement_id": "two_or_more_units" if many else "gradual_isolation_by_distance",
        "further_statement_ids": ["sites_stand_apart"] if many else [],
        "values": values | {"sites_apart": coastal[:1], "contact_sites": []},
        "panel": "yes" if many else "no_one_unit",
    }
    return tables, summary, {"estimate": 0.0048, "ci_low": 0.0044, "ci_high": 0.0052, "n_pairs": 3}


def years_table(wild, n_units: int) -> pd.DataFrame:
    """Return the table site_years: a site that changed by its movers, one that did not, one too small; none for 4."""
    rows = [(wild[0], 2019, 2021, 12, 9, 1, 0, 1.0, 0.0123, 0.0101, 0.0144, 0.001, 0.002, 0.0052, 61.3, 40.2, 118.0,
             "estimated", 0.31, "changed"),
            (wild[1], 2019, 2021, 10, 10, 0, 0, 1.0, -0.0003, -0.002, 0.0011, 0.4, 0.4, 0.0048, None, 210.0, None,
             "no_drift_signal", 0.4, "no_change_found"),
            (wild[2], 2019, 2021, 10, 2, 0, 0, 1.0, None, None, None, None, None, None, None, None, None, "", None,
             "too_few")]  # fmt: skip
    columns = ["locationID", "year_a", "year_b", "n_a", "n_b", "n_flagged_a", "n_flagged_b", "generations", "fst"]
    columns += ["ci_low", "ci_high", "p_value", "p_adjusted", "detectable_fst", "temporal_size", "temporal_size_ci_low"]
    columns += ["temporal_size_ci_high", "temporal_size_basis", "p_value_unflagged", "reading"]
    # two stocks: everything; one: no change; four: each site has one year
    return pd.DataFrame({2: rows, 1: rows[1:]}.get(n_units, []), columns=columns)


def spectrum_table(n_units: int) -> pd.DataFrame:
    """Return the table frequency_spectrum: chosen in the first of two stocks; rare alleles missing in a stock alone."""
    readings = {1: ["rare_alleles_missing"], 2: ["chosen_here", "chosen_elsewhere"], 4: ["no_sign"] * 3 + ["too_few"]}
    rows = [
        (f"unit_{k + 1}", 40, 3, 20000, 0.0061, 100, 0.014, 0.48, 0.44, 0.52, 0.81, 20, 0.61, 0.59, 0.63,
         0.12, 0.1, 0.14, f"unit_{2 - k}" if n_units == 2 else "", reading)
        for k, reading in enumerate(readings.get(n_units, []))
    ]  # fmt: skip
    columns = ["unit", "n_animals", "n_sites", "n_markers", "least_frequency", "copies", "rare_from", "rare_ratio"]
    columns += ["rare_ratio_ci_low", "rare_ratio_ci_high", "detectable_rare_ratio", "drawn_copies", "share_variable"]
    columns += [
        "share_variable_ci_low",
        "share_variable_ci_high",
        "private_ratio",
        "private_ratio_ci_low",
        "private_ratio_ci_high",
    ]
    return pd.DataFrame(rows, columns=[*columns, "private_ratio_unit", "reading"])


def proof_tables(many: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tables controls and calibration."""
    rows = [("nested", 0.97, None, 1, None), ("resubstitution", 0.99, 0.02, 1, None)]
    rows += [("random_panels", 0.91, None, 10, 0.88), ("logistic_regression", 0.96, -0.01, 1, None)]
    controls = [
        {"method": m, "n_markers": 84, "accuracy": a, "ci_low": a - 0.02, "ci_high": a + 0.01, "n_animals": 200,
         "difference_from_nested": d, "difference_ci_low": d and d - 0.01, "difference_ci_high": d and d + 0.01,
         "n_draws": n, "lowest": low, "highest": low and 0.94}
        for m, a, d, n, low in rows
    ]  # fmt: skip
    bins = [(0.0, 0.5, 0, None, None), (0.9, 0.99, 20, 0.95, 0.9), (0.99, 1.0, 180, 0.999, 0.99)]
    reliability = [
        {"posterior_low": a, "posterior_high": b, "n_animals": n, "mean_posterior": p, "share_right": s,
         "ci_low": s and s - 0.05, "ci_high": s and s + 0.005}
        for a, b, n, p, s in bins
    ]  # fmt: skip
    tables = pd.DataFrame(controls), pd.DataFrame(reliability)
    return tables if many else tuple(table.iloc[:0] for table in tables)


def proof(n_units: int) -> dict:
    """Return what panel/validation.json says of the posteriors."""
    if n_units < 2:
        return {"n_units": n_units, "folds": 0}
    error = {"expected_calibration_error": 0.012, "if_calibrated": 0.006, "if_calibrated_high": 0.011}
    return {"n_units": n_units, "folds": 10, "calibration": error}


def contact(wild) -> pd.DataFrame:
    """Return the table natural_contact: two groups of animals at a site, one of them beyond the cline."""
    more = (0.12, 0.05, 0.19, 1e-9, 0.0, 1e-7, 0.12, 0.05, 0.19, "more_than_the_cline")
    alike = (0.011, -0.002, 0.024, 0.01, 0.004, 0.02, 0.001, -0.014, 0.016, "as_the_cline")
    rows = [(site, role, 20, "unit_1", "unit_2", *(more if role == "query" and k == 0 else alike))
            for k, site in enumerate(wild) for role in ("baseline", "query")]  # fmt: skip
    columns = ["locationID", "role", "n", "local_unit", "other_unit", "observed_share", "ci_low", "ci_high"]
    columns += ["expected_share", "expected_ci_low", "expected_ci_high", "excess", "excess_ci_low", "excess_ci_high"]
    return pd.DataFrame(rows, columns=[*columns, "reading"])


def dates(wild) -> pd.DataFrame:
    """Return the table mixing_dates: an old contact, a recent cross and one without bound."""
    told = [("baseline", 20, 4, 0, 3200, 61.2, 44.0, 80.5, "old"), ("query", 12, 3, 1, 3200, 2.4, 1.6, 4.1, "recent"),
            ("query", 9, 1, 0, 3200, 3.0, 1.0, None, "open")]  # fmt: skip
    rows = [
        (
            site,
            role,
            "unit_1",
            "unit_2",
            *numbers,
            g,
            low,
            high,
            2 * g,
            2 * low,
            None if high is None else 2 * high,
            reading,
        )
        for site, (role, *numbers, g, low, high, reading) in zip(wild, told, strict=False)
    ]
    columns = ["locationID", "role", "local_unit", "other_unit", "n", "n_mixed", "n_first_generation", "n_markers"]
    columns += ["generations", "ci_low", "ci_high", "years", "years_ci_low", "years_ci_high", "reading"]
    return pd.DataFrame(rows, columns=columns)


def mixture(sites: pd.DataFrame, calls: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Return the table mixture_shares of the sites that hold query animals, two years at the first."""
    query = set(calls.loc[calls["role"] == "query", "locationID"])
    places = [site for site in sites["locationID"] if site in query]
    groups = [("site", site, None) for site in places] + [("site_year", site, 2021) for site in places]
    groups += [("site_year", site, 2022) for site in places[:1]]
    rows = [
        (scope, site, year, unit, 30, 28, 1 / len(names), 0.2, 0.9, 0.3, 0.8, 0.02, 3, 1, 1)
        for scope, site, year in groups
        for unit in names
    ]
    columns = ["scope", "locationID", "year", "unit", "n", "n_used", "share", "ci_low", "ci_high", "profile_low"]
    columns += ["profile_high", "baseline_standard_deviation", "n_mixed", "n_unsampled_origin", "n_too_few_markers"]
    return pd.DataFrame(rows, columns=columns)


def panel_order(n_units: int) -> dict:
    """Return what panel/order.json says, of a panel that is short and has no reference."""
    told = {"n_wanted": 84, "n_markers": 80 if n_units > 1 else 0, "n_reserve": 0, "n_near_others": 1}
    told |= {"flanks": 0, "why_no_flanks": "no_reference", "n_without_other_variant": 0}
    return told | {"flank_bases": 100, "min_clear_bases": 20}


def study(
    units: tuple[int, ...] = (2, 1), query: bool = True, moved: bool = True, odd: bool = False, **sites_of
) -> StudyResults:
    """Return a whole invented study, one species for each number of units."""
    sites = site_table(odd=odd, **sites_of)
    sea, names = sea_table(sites), ["topshell", "urchin", "goby", "crab"]
    wild = sites.loc[sites["kind"] == "wild", "locationID"].tolist()
    farms = sites.loc[sites["kind"] != "wild", "locationID"].tolist()
    ledger = pd.DataFrame(
        [
            (f"t{i}", names[0], "2021-05-01", wild[0], farms[i % len(farms)] if farms else wild[1], 100, 5)
            for i in range(3)
        ],
        columns=[
            "transferID",
            "species",
            "eventDate",
            "sourceLocationID",
            "destinationLocationID",
            "individualCount",
            "lost_or_dead",
        ],
    )
    ledger = ledger if moved else ledger.iloc[:0]
    species, samples = [], []
    for i, n_units in enumerate(units):
        tables, summary, error = species_tables(names[i], sites, sea, n_units, 7 + i, query, ledger)
        settings = {
            "id": names[i],
            "name": ["Rope-grazing topshell", "Kelp urchin", "Ladder goby", "Lodge crab"][i],
            "scientific_name": ["Calliostoma funicola", "Strongylus algarum", "Gobius scalaris", "Carcinus tectus"][i],
            "genotypes": [f"{names[i]}.vcf.gz"],
            "generation_years": 3,
            "recombination": {"cm_per_chromosome": 50},
        }
        records = {"units_summary": summary, "genotyping_error": error}
        records["panel_summary"] = {
            "n_blocks": 2,
            "n_in_blocks": 3,
            "max_block_markers": 2,
            "share_without_blocks": 0.94,
        }
        records |= {"panel_order": panel_order(n_units), "panel_proof": proof(n_units)}
        species.append(SpeciesResults.of_files(settings, tables | records))
        samples.append(
            tables["animals"][["materialSampleID", "locationID", "role"]].assign(
                species=names[i], eventDate="2022-06-15"
            )
        )
    settings = {
        "study": {
            "id": "invented",
            "title": "Stocks & origins <of> animals moved to kelp farms",
            "seed": 7,
            "invented": True,
        },
        "species": [s.settings for s in species],
        "samples": "samples.csv",
        "sites": "sites.csv",
        "coastline": "coast.geojson",
        "markers": {
            "min_call_rate": 0.9,
            "min_site_call_rate": 0.7,
            "min_minor_allele_frequency": 0.01,
            "hardy_weinberg_fdr": 0.01,
            "batch_fdr": 0.01,
            "sex_linked_fdr": 0.01,
            "thinning_r2": 0.2,
            "thinning_distance_kb": 1000.0,
            "thinning_distance_cm": 1.0,
        },
        "structure": {"min_individuals": 5, "permutations": 999, "block_fdr": 0.05, "min_rest_share": 0.5},
        "units": {"min_break_fst": 0.01, "break_level": 0.05, "median_step_multiple": 3, "detectable_power": 0.8},
        "panel": {"n_markers": 84, "folds": 10},
        "assignment": {"false_flag_rate": 0.001, "exclusion_level": 0.001, "recent_generations": 10},
        "transfers_advice": {"max_sources": 5, "high_rate": 0.05},
        "report": {"language": "en"},
    }
    positions = sites.assign(
        water_latitude=sites["decimalLatitude"], water_longitude=sites["decimalLongitude"], shift_km=0.4
    )
    return StudyResults(
        settings=settings,
        check={
            "files": {"samples.csv": "ab" * 32, "sites.csv": "cd" * 32},
            "report_date": "2022-06-15",
            "ignored_columns": {},
        },
        samples=pd.concat(samples, ignore_index=True),
        sites=sites,
        transfers=ledger,
        sea_distance=sea,
        site_positions=positions[["locationID", "water_latitude", "water_longitude", "shift_km"]],
        land=land_of(sites),
        species=species,
        versions={"homewater": "0.1.0", "python": "3.11.2"},
        system_versions={"pango": "1.50.12"},
    )
