"""Large invented genotype files, written fast: one bgzip VCF with its index, a sample sheet and a site list."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pysam
import yaml

from homewater.tables.schema_tables import write_table

MISSING_SHARE = 0.05
CALLS = np.frombuffer(b"\t0/0\t0/1\t1/1\t./.", dtype=np.uint8).reshape(4, 4)
BLOCK = 2000


def write_study(
    folder: Path, n_animals: int, n_markers: int, n_sites: int = 22, n_chromosomes: int = 20, tiles: int = 1
) -> Path:
    """Write genotypes.vcf.gz (indexed), samples.csv and sites.csv; return the genotypes' path.

    Frequencies differ between sites (F_ST about 0.02), neighbouring markers are independent, 5 % of calls missing.
    Every block of markers is written `tiles` times under new positions: drawing them takes longer than reading them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(0)
    site = np.repeat(np.arange(n_sites), -(-n_animals // n_sites))[:n_animals]
    names = [f"A{i:05d}" for i in range(n_animals)]
    places = [f"S{i + 1:02d}" for i in range(n_sites)]
    sites = pd.DataFrame({"locationID": places, "locality": places, "jurisdiction": "Vessland"})
    sites["decimalLatitude"], sites["decimalLongitude"] = 50.0 + 0.3 * np.arange(n_sites), -20.0
    write_table(sites, folder / "sites.csv", "input_sites")
    samples = pd.DataFrame({"materialSampleID": names, "locationID": [places[s] for s in site]})
    samples = samples.assign(species="topshell", eventDate="2021", role="baseline")
    columns = ["materialSampleID", "species", "locationID", "eventDate", "role"]
    write_table(samples[columns], folder / "samples.csv", "input_samples")

    study = {"id": "bench", "title": "Invented animals, for timing alone", "seed": 1, "invented": True}
    species = {"id": "topshell", "name": "rope-grazing topshell", "scientific_name": "Funigrazus skarnensis"}
    species |= {"genotypes": ["genotypes.vcf.gz"], "generation_years": 2}
    content = {
        "study": study,
        "species": [species],
        "samples": "samples.csv",
        "sites": "sites.csv",
        "coastline": "global",
    }
    (folder / "study.yaml").write_text(yaml.safe_dump(content))

    path = folder / "genotypes.vcf.gz"
    per = -(-n_markers // n_chromosomes)
    with open(path, "wb") as out:
        zipped = subprocess.Popen(["bgzip", "-@", "2", "-c"], stdin=subprocess.PIPE, stdout=out)
        head = ["##fileformat=VCFv4.3", '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">']
        head += [f"##contig=<ID=chr{c + 1},length={1000 * (per + 1)}>" for c in range(n_chromosomes)]
        head.append("\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *names]))
        zipped.stdin.write(("\n".join(head) + "\n").encode())
        for start in range(0, n_markers, BLOCK):
            n = min(BLOCK, n_markers - start)
            if start % (BLOCK * tiles) == 0:
                text = CALLS[_copies(rng, BLOCK, site)].reshape(BLOCK, -1)
            for row in range(n):
                number = start + row
                chrom, place = number // per + 1, 1000 * (number % per + 1)
                line = f"chr{chrom}\t{place}\t.\tA\tG\t.\tPASS\t.\tGT".encode()
                zipped.stdin.write(line + text[row].tobytes() + b"\n")
        zipped.stdin.close()
        if zipped.wait():
            raise RuntimeError("bgzip failed")
    pysam.tabix_index(str(path), preset="vcf", force=True)
    return path


def _copies(rng: np.random.Generator, n: int, site: np.ndarray) -> np.ndarray:
    """Return uint8 (n, n_animals) alternate copies, 3 for missing."""
    ancestral, spread = rng.beta(0.8, 1.6, (n, 1)), 49.0  # a beta distribution with F_ST 0.02 about the ancestral
    frequency = rng.beta(ancestral * spread + 1e-3, (1 - ancestral) * spread + 1e-3, (n, site.max() + 1))
    p, draw = frequency[:, site].astype(np.float32), rng.random((n, site.size), dtype=np.float32)
    copies = (draw < 1 - (1 - p) ** 2).astype(np.uint8) + (draw < p**2)
    copies[rng.random(copies.shape, dtype=np.float32) < MISSING_SHARE] = 3
    return copies
