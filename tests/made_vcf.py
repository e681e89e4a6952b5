"""Small VCF files made by hand for the tests of intake."""

from pathlib import Path

import pysam
import pysam.bcftools

HEADER = (
    '##fileformat=VCFv4.2\n{contigs}##FILTER=<ID=low,Description="x">\n'
    '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
)


def vcf_text(samples: list[str], records: list[tuple], contigs: tuple = ("chr1", "chr2"), length: int = 10000) -> str:
    """Return VCF text; a record is (chrom, pos, id, ref, alt, filter, [genotype, ...])."""
    head = HEADER.format(contigs="".join(f"##contig=<ID={c},length={length}>\n" for c in contigs))
    lines = ["\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *samples])]
    for chrom, pos, name, ref, alt, passed, calls in records:
        lines.append("\t".join(map(str, [chrom, pos, name, ref, alt, ".", passed, ".", "GT", *calls])))
    return head + "\n".join(lines) + "\n"


def snp(chrom: str, pos: int, calls: list[str], name: str = ".") -> tuple:
    """Return one plain record."""
    return (chrom, pos, name, "A", "C", "PASS", calls)


def written(path: Path, text: str, how: str = "plain") -> Path:
    """Write VCF text: plain, gzip, bgzip, tbi, csi (bgzip with that index), bcf (indexed)."""
    plain = path.with_suffix(".tmp.vcf")
    plain.write_text(text, encoding="utf-8")
    if how == "plain":
        return plain.rename(path.with_suffix(".vcf"))
    if how == "gzip":
        import gzip

        target = path.with_suffix(".vcf.gz")
        target.write_bytes(gzip.compress(plain.read_bytes()))
        return target
    if how == "bcf":
        target = path.with_suffix(".bcf")
        pysam.bcftools.view("-Ob", "-o", str(target), str(plain), catch_stdout=False)
        pysam.bcftools.index("-f", str(target), catch_stdout=False)
        return target
    target = path.with_suffix(".vcf.gz")
    pysam.tabix_compress(str(plain), str(target), force=True)
    if how in ("tbi", "csi"):
        pysam.tabix_index(str(target), preset="vcf", force=True, csi=how == "csi")
    return target
