"""Rule panel_order: the panel as a laboratory orders it, as VCF and as sequences around its markers.

Named inputs: genotypes, panel, panel_summary, reference (none or one). Outputs: vcf, flanks, summary. Params:
flank_bases, min_clear_bases, reference_name (the file as the user wrote it, empty without one).
"""

import json
from pathlib import Path

from homewater.genotypes.store import open_genotypes
from homewater.inputs.reference import read_windows
from homewater.panel.order import flank_windows, flanks_fasta, panel_vcf
from homewater.running.step import run_step
from homewater.running.writer import write_json, write_text
from homewater.tables.schema_tables import read_table


def main(
    genotypes: str,
    panel: str,
    panel_summary: str,
    reference: list[str],
    vcf: str,
    flanks: str,
    summary: str,
    flank_bases: int,
    min_clear_bases: int,
    reference_name: str,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    store, chosen = open_genotypes(genotypes), read_table(panel, "panel")
    contigs = [str(name) for name in store.contig_ids]
    told = json.loads(Path(panel_summary).read_text(encoding="utf-8"))
    lengths, text, clear, why = {}, "", 0, "no_reference" if len(chosen) else "no_panel"
    if reference and len(chosen):
        windows = dict.fromkeys(contigs, ()) | flank_windows(chosen, flank_bases)
        lengths, sequences = read_windows(reference[0], reference_name, windows)
        text, clear = flanks_fasta(chosen, store.loci, lengths, sequences, flank_bases, reference_name)
        why = ""
    print(f"flanks of {len(chosen) if not why else 0} markers" + (f": none written, {why}" if why else ""))
    write_text(panel_vcf(chosen, contigs, lengths), vcf)
    write_text(text, flanks)
    counts = {name: told.get(name, 0) for name in ("n_wanted", "n_markers", "n_reserve", "n_near_others")}
    told = {"flanks": len(chosen) if not why else 0, "why_no_flanks": why, "n_without_other_variant": clear}
    write_json(counts | told | {"flank_bases": flank_bases, "min_clear_bases": min_clear_bases}, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
