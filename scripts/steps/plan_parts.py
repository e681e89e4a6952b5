"""Rule plan_parts: which stretch of which genotype file each part reads."""

from pathlib import Path

from homewater.intake.vcf_files import plan as parts_plan
from homewater.running.forked import in_child
from homewater.running.step import run_step
from homewater.running.writer import write_json


def main(genotype_files: list[str], index_files: list[str], plan: str, n_parts: int) -> None:
    """Cut the genotype files of a species into parts that jobs read side by side.

    Args:
        genotype_files: the files, in the study file's order.
        index_files: indexes beside them; named as inputs so that a new index makes a new plan.
        plan: JSON: what each file holds, and which stretch of which file each part is.
        n_parts: number of parts for which the workflow has jobs.

    Raises:
        RuntimeError: where the files give another number of parts.
    """
    made = in_child(lambda: parts_plan(genotype_files), ", ".join(Path(file).name for file in genotype_files))
    if len(made["parts"]) != n_parts:
        raise RuntimeError(f"the workflow expects {n_parts} parts, the files give {len(made['parts'])}")
    write_json(made, plan)


if __name__ == "__main__":
    run_step(main, snakemake)
