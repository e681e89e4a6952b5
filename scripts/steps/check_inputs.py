"""Rule check_inputs: every file of the user is checked, alone and against the others, before anything is computed."""

from homewater.intake.check_study import StudyFiles, check_study
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import write_table


def main(files: list[str], study: dict, check: str, sample_sheet: str, sites: str, transfers: str) -> None:
    """Refuse the study where any file has a fault; else write the tables in their normal form and what was found.

    Args:
        files: the user's files, in the order of `homewater.inputs.settings.input_files`.
        study: the settings that name files, and the report's date.
        check: JSON: checksums, ignored columns, report date, counts and chromosomes of each species.
        sample_sheet: table of samples, every optional column present.
        sites: table of sites, likewise.
        transfers: table of moves, likewise; a header alone where the study has none.
    """
    found = check_study(StudyFiles.of_study(study, files))
    write_table(found.samples, sample_sheet, "input_samples")
    write_table(found.sites, sites, "input_sites")
    write_table(found.transfers, transfers, "input_transfers")
    write_json(found.record, check)


if __name__ == "__main__":
    run_step(main, snakemake)
