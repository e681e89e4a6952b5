"""Rule panel_order: the panel as a laboratory orders it, as VCF and as sequences around its markers.

Named inputs: genotypes, panel, panel_summary, reference (none or one). Outputs: vcf, flanks, summary. Params:
flank_bases, min_clear_bases, reference_name (the file as the user wrote it, empty without one).
"""

from homewater.genotypes.store import open_genotypes
from homewater.inputs.reference import read_windows
from homewater.panel.order import ReferenceBases, laboratory_order, windows_wanted
from homewater.running.step import run_step
from homewater.running.writer import write_json, write_text
from homewater.tables.schema_tables import read_json, read_table


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
    """Write the panel as a laboratory orders it: its markers, with a reference also the bases around them."""
    store, chosen = open_genotypes(genotypes), read_table(panel, "panel")
    bases = None
    if reference and len(chosen):
        windows = windows_wanted(chosen, store, flank_bases)
        bases = ReferenceBases(reference_name, *read_windows(reference[0], reference_name, windows))
    order = laboratory_order(chosen, store, bases, read_json(panel_summary), flank_bases, min_clear_bases)
    write_text(order.vcf, vcf)
    write_text(order.flanks, flanks)
    write_json(order.summary, summary)


if __name__ == "__main__":
    run_step(main, snakemake)
