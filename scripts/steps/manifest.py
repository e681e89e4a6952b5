"""Rule manifest: the record by which a run can be told apart from another, and made again and compared."""

from homewater.report.pages.manifest import build_manifest
from homewater.running.step import run_step
from homewater.running.writer import write_json


def main(outputs: list[str], manifest: str, study: dict, study_file: str, study_dir: str) -> None:
    """Record the settings, the versions of what computed, and the checksum of every file that went in or came out.

    Args:
        outputs: every file and folder that the run made, by its path in the clone, where the run works.
        manifest: JSON: the record.
        study: the full settings.
        study_file: name of the study file, without its folder.
        study_dir: folder from which the paths in the settings start.
    """
    write_json(build_manifest(study, study_file, study_dir, {path: path for path in outputs}), manifest)


if __name__ == "__main__":
    run_step(main, snakemake)
