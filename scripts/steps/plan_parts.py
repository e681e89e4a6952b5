"""Rule plan_parts: which stretch of which genotype file each part reads."""

from pathlib import Path

from homewater.intake.vcf_files import plan as parts_plan
from homewater.running.forked import in_child
from homewater.running.step import run_step
from homewater.running.writer import write_json


def main(genotype_files: list[str], index_files: list[str], plan: str, n_parts: int) -> None:
    """Read headers and indexes, write the plan; `index_files` are inputs so that a new index makes a new plan."""
    made = in_child(lambda: parts_plan(genotype_files), ", ".join(Path(file).name for file in genotype_files))
    if len(made["parts"]) != n_parts:
        raise RuntimeError(f"the workflow expects {n_parts} parts, the files give {len(made['parts'])}")
    write_json(made, plan)


if __name__ == "__main__":
    run_step(main, snakemake)
