"""Intake against what a general-purpose reader needs for the same file, side by side in one run.

`scripts/test --benchmark intake` writes intake.json beside this file (about half an hour; `--small` ends in minutes and
writes nothing). Wall seconds and peak memory (proportional share, all processes together) of:

    bgzip        decompression alone, one thread
    loop_1       a bare cyvcf2 loop that takes every genotype as an array and drops it, one process
    loop_2       the same, the chromosomes shared by two processes
    allel        scikit-allel's reader, genotypes alone (the two smaller files)
    intake       the steps plan_parts, import_part (two processes), genotypes and filters, as the workflow calls them
    workflow     the same by scripts/run with two cores, job starts included

and of the counting kernels against numpy, scalar Python and scikit-allel, whose results are compared.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil
from tests.benchmarks.big_files import write_study
from tests.benchmarks.timing import keep, provenance, timed
from tests.intake_steps import step

ROOT = Path(__file__).resolve().parents[2]
SIZES = {"1100 x 50000": (1100, 50_000, 1), "1100 x 100000": (1100, 100_000, 1), "1100 x 200000": (1100, 200_000, 1),
         "2000 x 1000000": (2000, 1_000_000, 10)}  # fmt: skip
SMALL = {"300 x 10000": (300, 10_000, 1), "300 x 20000": (300, 20_000, 1)}


def measured(command: list[str]) -> dict:
    """Run a command; return its seconds and the peak of its processes' proportional memory, MB."""
    started, peak, stop = time.perf_counter(), [0], threading.Event()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)

    def watch():
        while not stop.wait(0.1):
            total = 0
            try:
                top = psutil.Process(process.pid)
                for one in [top, *top.children(recursive=True)]:
                    with contextlib.suppress(psutil.Error, OSError):
                        total += one.memory_full_info().pss
            except psutil.Error:
                return
            peak[0] = max(peak[0], total)

    watcher = threading.Thread(target=watch)
    watcher.start()
    error = process.communicate()[1]
    seconds = time.perf_counter() - started
    stop.set()
    watcher.join()
    if process.returncode:
        raise RuntimeError(f"{command}: {error.decode()[-2000:]}")
    return {"seconds": round(seconds, 2), "peak_mb": round(peak[0] / 1e6)}


def loop(path: str, contigs: list[str] | None) -> int:
    from cyvcf2 import VCF

    reader, n = VCF(path), 0
    for records in [reader] if contigs is None else (reader(contig) for contig in contigs):
        for record in records:
            n += record.genotype.array().shape[0]
    return n


def _import(arguments: dict) -> None:
    step("import_part")(**arguments)


def intake(folder: Path, out: Path) -> None:
    """The intake steps of one species, parts by two processes."""
    from homewater.inputs.settings import load_study
    from homewater.intake import genome_parts

    genotypes = str(folder / "genotypes.vcf.gz")
    out.mkdir()
    count = genome_parts.n_parts([Path(genotypes).stat().st_size], [True])
    plan = str(out / "plan.json")
    tables = {"sample_sheet": str(folder / "samples.csv"), "sites": str(folder / "sites.csv")}
    step("plan_parts")([genotypes], [f"{genotypes}.tbi"], plan, count)
    made = [str(out / f"{i}.zarr") for i in range(count)]
    common = {"plan": plan, "genotype_files": [genotypes], "species": "topshell", **tables}
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_import, [{**common, "part": part, "part_number": i} for i, part in enumerate(made)], chunksize=1)
    names = {"plan": plan, "parts": made, "genotypes": str(out / "genotypes.zarr"), "species": "topshell", **tables}
    step("genotypes")(**names, file_conflicts=str(out / "file_conflicts.csv"))
    outputs = {"samples": "samples.csv", "markers": "markers.parquet", "summary": "filter_summary.csv",
               "site_roles": "site_roles.csv", "site_counts": "site_counts.zarr",
               "genotyping_error": "genotyping_error.json", "kin_thinning": "kin_thinning.csv",
               "batch_effects": "batch_effects.csv"}  # fmt: skip
    settings = load_study(folder / "study.yaml")["markers"]
    step("filters")(
        genotypes=names["genotypes"], **tables, native_range=[], recombination_map=[], species="topshell",
        settings=settings, **{name: str(out / file) for name, file in outputs.items()},
    )  # fmt: skip


def contender(name: str, folder: Path, out: Path) -> None:
    """Do one contender's work in this process."""
    path = str(folder / "genotypes.vcf.gz")
    if name == "loop_1":
        loop(path, None)
    elif name == "loop_2":
        from cyvcf2 import VCF

        contigs = list(VCF(path).seqnames)
        with multiprocessing.get_context("spawn").Pool(2) as pool:
            pool.starmap(loop, [(path, [contig]) for contig in contigs], chunksize=1)
    elif name == "allel":
        import allel

        allel.read_vcf(path, fields=["calldata/GT"])
    elif name == "intake":
        intake(folder, out)


def workflow(folder: Path) -> dict:
    """Run the workflow's intake on two cores in a copy of this clone."""
    from launcher.verify import fresh_clone

    clone = fresh_clone(ROOT, folder / "clone")
    target = "results/bench/topshell/intake/samples.csv"
    return measured([str(clone / "scripts" / "run"), str(folder / "study.yaml"), target, "--cores", "2"])


def files_compared(sizes: dict, work: Path) -> dict:
    """Return {size: {contender: {seconds, peak_mb}}}."""
    found = {}
    warm = work / "warm"
    write_study(warm, 100, 2000)
    intake(warm, warm / "out")  # compiled kernels are kept in the clone, and made once
    for size, (animals, markers, tiles) in sizes.items():
        folder = work / size.replace(" ", "")
        started = time.perf_counter()
        path = write_study(folder, animals, markers, tiles=tiles)
        print(
            f"{size}: file of {path.stat().st_size / 1e6:.0f} MB in {time.perf_counter() - started:.0f} s", flush=True
        )
        found[size] = {"file_mb": round(path.stat().st_size / 1e6)}
        found[size]["bgzip"] = measured(["bgzip", "-d", "-c", str(path)])
        names = ["loop_1", "loop_2", *(["allel"] if markers <= 200_000 else []), "intake"]
        for name in names:
            out = folder / "out"
            shutil.rmtree(out, ignore_errors=True)
            arguments = ["--contender", name, "--folder", str(folder), "--out", str(out)]
            found[size][name] = measured([sys.executable, __file__, *arguments])
            print(f"{size}: {name} {found[size][name]}", flush=True)
        found[size]["workflow"] = workflow(folder)
        print(f"{size}: workflow {found[size]['workflow']}", flush=True)
        found[size]["intake_over_loop_2"] = round(
            found[size]["intake"]["seconds"] / found[size]["loop_2"]["seconds"], 2
        )
        shutil.rmtree(folder)
    return found


def counts_by_numpy(dosages: np.ndarray, site: np.ndarray, n_sites: int) -> np.ndarray:
    counts = np.empty((len(dosages), n_sites, 4), dtype=np.int32)
    for s in range(n_sites):
        here = dosages[:, site == s]
        for column, code in enumerate((0, 1, 2, -1)):
            counts[:, s, column] = (here == code).sum(axis=1)
    return counts


def scalar_hardy_weinberg(n_aa: int, n_ab: int, n_bb: int) -> float:
    """The exact test by its recurrence, one call a test (Wigginton, Cutler & Abecasis 2005)."""
    n, rare = n_aa + n_ab + n_bb, 2 * min(n_aa, n_bb) + n_ab
    if not n:
        return 1.0
    middle = rare * (2 * n - rare) // (2 * n)
    middle += (middle + rare) % 2
    weights = {middle: 1.0}
    hets, minor, major = middle, (rare - middle) // 2, n - middle - (rare - middle) // 2
    while hets > 1:
        weights[hets - 2] = weights[hets] * hets * (hets - 1) / (4 * (minor + 1) * (major + 1))
        hets, minor, major = hets - 2, minor + 1, major + 1
    hets, minor, major = middle, (rare - middle) // 2, n - middle - (rare - middle) // 2
    while hets <= rare - 2:
        weights[hets + 2] = weights[hets] * 4 * minor * major / ((hets + 2) * (hets + 1))
        hets, minor, major = hets + 2, minor - 1, major - 1
    total, seen = sum(weights.values()), weights[n_ab]
    return min(1.0, sum(w for w in weights.values() if w <= seen * (1 + 1e-9)) / total)


def kernels_compared(n_markers: int) -> dict:
    """Return seconds and ratios of the kernels; raises where results differ."""
    import allel

    from homewater.filters.hardy_weinberg import hardy_weinberg_p
    from homewater.filters.linkage_thinning import thin_by_linkage
    from homewater.genotypes.bit_planes import count_into, group_words, layout_by_site, pack

    rng, n_animals, n_sites = np.random.default_rng(0), 1100, 22
    site = np.repeat(np.arange(n_sites), n_animals // n_sites)
    p = rng.beta(0.8, 1.6, (n_markers, 1))
    dosages = (rng.random((n_markers, n_animals)) < p).astype(np.int8) + (rng.random((n_markers, n_animals)) < p)
    dosages[rng.random((n_markers, n_animals)) < 0.05] = -1
    layout = layout_by_site(site)
    planes = pack(dosages, layout)
    words = group_words(layout, site, n_sites)

    counts = np.zeros((n_markers, n_sites, 4), dtype=np.int32)

    def counted():  # into one buffer, as block after block is counted
        count_into(planes, *words, counts)
        return counts

    reading, _ = timed(lambda: planes.sum())
    ours, counts = timed(counted)
    theirs, expected = timed(counts_by_numpy, dosages, site, n_sites, repeats=1)
    assert np.array_equal(counts, expected)
    found = {"site_counts": {"markers": n_markers, "seconds": ours, "one_read_of_the_planes": reading, "numpy": theirs,
                             "times_a_read": ours / reading, "times_faster_than_numpy": theirs / ours}}  # fmt: skip

    flat = np.ascontiguousarray(counts[..., :3].reshape(-1, 1, 3))
    ours, values = timed(hardy_weinberg_p, flat)
    some = rng.choice(len(flat), 20_000, replace=False)
    started = time.perf_counter()
    expected = np.array([scalar_hardy_weinberg(*map(int, flat[i, 0])) for i in some])
    theirs = (time.perf_counter() - started) * len(flat) / some.size
    np.testing.assert_allclose(np.nan_to_num(values[some], nan=1.0), expected, rtol=1e-9)
    found["hardy_weinberg"] = {"tests": len(flat), "seconds": ours, "scalar_python": theirs,
                               "scalar_calls_timed": int(some.size), "times_faster": theirs / ours}  # fmt: skip

    some = np.where(dosages[:4000] < 0, 0, dosages[:4000]).astype(np.int8)  # scikit-allel knows no missing call here
    blocks, mask = pack(some, layout), np.zeros(layout.n_words, dtype=np.uint64)
    mask[words[1]] = words[2]
    chrom = np.zeros(len(some), dtype=int)
    ours, kept = timed(lambda: thin_by_linkage([blocks], mask, chrom, np.arange(len(some)) / 99.5, 0.005))
    theirs, expected = timed(lambda: allel.locate_unlinked(some, size=100, step=1, threshold=0.005), repeats=1)
    assert np.array_equal(kept, expected)
    assert 0 < kept.sum() < len(some)
    found["thinning"] = {"markers": len(some), "seconds": ours, "scikit_allel": theirs, "times_faster": theirs / ours,
                         "kept": int(kept.sum())}  # fmt: skip
    return found


def main() -> None:
    """Run the comparison and write its figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--contender")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    if given.contender:
        contender(given.contender, given.folder, given.out)
        return
    with tempfile.TemporaryDirectory() as work:
        figures = {
            **provenance("intake"),
            "kernels": kernels_compared(20_000 if given.small else 200_000),
            "files": files_compared(SMALL if given.small else SIZES, Path(work)),
        }
    keep("intake", figures, given.small)


if __name__ == "__main__":
    main()
