"""A study checked as a whole: what is found in a sound one, and faults of several files told together."""

import pytest
from tests.made_inputs import SITES, STUDY, write_study

from homewater.inputs.settings import check_settings, input_files
from homewater.intake.check_study import StudyFiles, check_study
from homewater.running.errors import InputError


def files_of(folder, **changed):
    write_study(folder, **changed)
    settings = check_settings(STUDY, "study.yaml")
    return StudyFiles.of_study(settings, [str(folder / written) for _, written in input_files(settings)])


def test_files_stand_under_the_paths_that_the_study_file_writes(tmp_path):
    files = files_of(tmp_path)
    assert files.coastline is None
    assert [one.genotypes for one in files.species] == [["topshell.vcf.gz"]]
    assert files.species[0].recombination_map is None
    assert files.named("sites.csv") == (str(tmp_path / "sites.csv"), "sites.csv")


def test_a_sound_study_is_recorded(tmp_path):
    header, *rows = SITES.splitlines()
    with_remarks = "\n".join([f"{header},remarks", *(f"{row},x" for row in rows)]) + "\n"
    found = check_study(files_of(tmp_path, sites__csv=with_remarks))
    assert found.record["species"]["topshell"] == {
        "n_samples": 5, "n_baseline": 3, "n_query": 2,
        "contigs": [{"chrom": "chr1", "length_bp": 5000}, {"chrom": "chr2", "length_bp": 4000}],
    }  # fmt: skip
    assert found.record["ignored_columns"] == {"sites.csv": ["remarks"]}
    assert found.record["report_date"] == "2019-12-31"
    assert set(found.record["files"]) == {"samples.csv", "sites.csv", "transfers.csv", "topshell.vcf.gz"}
    assert (len(found.samples), len(found.sites), len(found.transfers)) == (5, 3, 2)


def test_faults_of_all_files_are_told_together(tmp_path):
    files = files_of(tmp_path, sites__csv=SITES.replace("58.25", "98.25"), topshell__vcf__gz=b"no genotypes")
    with pytest.raises(InputError) as caught:
        check_study(files)
    assert {"sites.csv", "topshell.vcf.gz"} <= {problem.file for problem in caught.value.problems}
