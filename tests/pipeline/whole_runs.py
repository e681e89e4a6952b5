"""What the tests of whole runs share: a fresh copy of the clone, a run of it, and its outputs to compare."""

import os
import shutil
import subprocess
from pathlib import Path

from homewater.running.checksums import checksum
from launcher.verify import fresh_clone

ROOT = Path(__file__).resolve().parents[2]
LEFT_OUT = ("logs", "benchmarks", "parts")  # times and scratch; everything else is compared


def copy_of_clone(folder: Path) -> Path:
    """Return a fresh copy of what a run is made of, without results; the environment is shared."""
    folder.mkdir(parents=True)
    copy = fresh_clone(ROOT, folder)
    (copy / "reports").mkdir(exist_ok=True)
    return copy


def run(clone: Path, *arguments: str, environment: dict | None = None) -> subprocess.CompletedProcess:
    """Run scripts/run of a copy and return what it printed."""
    return subprocess.run(
        [str(clone / "scripts" / "run"), *map(str, arguments)],
        cwd=clone,
        env={**os.environ, **(environment or {})},
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )


def outputs(clone: Path, study: str) -> dict[str, str]:
    """Return {path: SHA-256} of all that a run made."""
    files = [path for path in sorted((clone / "results" / study).rglob("*")) if path.is_file()]
    files += [clone / "reports" / f"{study}.{suffix}" for suffix in ("html", "pdf")]
    return {
        str(path.relative_to(clone)): checksum(path)
        for path in files
        if not set(path.parts) & set(LEFT_OUT) and not path.name.startswith(".")
    }


def contract(species: str) -> list[str]:
    """Return the files that exist for every species, whatever was found."""
    return [
        f"{species}/{name}"
        for name in (
            "intake/samples.csv", "intake/markers.parquet", "intake/filter_summary.csv",
            "intake/file_conflicts.csv", "intake/kin_thinning.csv", "intake/batch_effects.csv",
            "structure/site_diversity.csv", "structure/pairwise_fst.csv", "structure/pca.csv",
            "structure/linkage_decay.csv", "structure/linkage_reach.csv",
            "structure/site_years.csv", "structure/frequency_spectrum.csv",
            "structure/group_number.csv", "structure/ancestry.csv", "structure/isolation_by_distance.csv",
            "structure/breaks.csv", "structure/line_support.csv",
            "structure/variance_shares.csv", "structure/overall_fst.csv",
            "structure/genome_windows.csv", "structure/genome_blocks.csv", "structure/block_animals.csv",
            "structure/block_sites.csv", "structure/clines.csv", "structure/cline_sites.csv",
            "structure/groups_within_units.csv", "units/units.csv", "units/summary.json",
            "units/detection_curve.csv", "units/odd_kinships.csv",
            "panel/panel.csv", "panel/panel.vcf", "panel/panel_flanks.fasta", "panel/order.json",
            "panel/size_curve.csv", "panel/confusion.csv", "panel/controls.csv", "panel/calibration.csv",
            "assignment/calls.csv",
            "assignment/origin_classes.csv", "assignment/class_power.csv", "assignment/site_rates.csv",
            "assignment/site_year_rates.csv", "assignment/unit_rates.csv", "assignment/mixture_shares.csv",
            "assignment/natural_contact.csv", "assignment/mixing_dates.csv",
            "transfers/flows.csv", "transfers/source_ranking.csv",
        )
    ]  # fmt: skip


def without_truth(folder: Path) -> None:
    """Remove the truth, which no rule may read."""
    shutil.rmtree(folder / "truth")


def same_grouping(found: dict[str, str], true: dict[str, str]) -> bool:
    """Whether two groupings of the same sites are one, whatever the groups are called."""
    pairs = {(found[site], true[site]) for site in true}
    return len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})
