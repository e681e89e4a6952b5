"""Rule manifest: settings, versions, and checksums of everything that went in and came out."""

from homewater.report.pages.manifest import build_manifest
from homewater.running.step import run_step
from homewater.running.writer import write_json


def main(outputs: list[str], manifest: str, study: dict, study_file: str, study_dir: str) -> None:
    """Record the run; outputs are paths relative to the clone, in which the run works."""
    write_json(build_manifest(study, study_file, study_dir, {path: path for path in outputs}), manifest)


if __name__ == "__main__":
    run_step(main, snakemake)
