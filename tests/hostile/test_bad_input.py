"""Bad input, whole study: the step stops with every fault's file, line and column, and writes nothing."""

import copy
import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from tests.made_inputs import IDS, SAMPLES, SITES, STUDY, TRANSFERS, packed, run, vcf_text, write_study

from homewater.inputs.settings import check_settings
from homewater.running.errors import InputError
from homewater.tables.schema_tables import read_table
from steps.sea_distance import main as sea_distance

ROOT = Path(__file__).resolve().parents[2]
SQUARE = [[-9, 55], [-5, 55], [-5, 60], [-9, 60], [-9, 55]]
RANGE = json.dumps({"type": "Polygon", "coordinates": [SQUARE]})


def told(folder: Path, study: dict = STUDY) -> list[tuple[str, str, str]]:
    with pytest.raises(InputError) as caught:
        run(folder, study)
    problems = caught.value.problems
    assert not (folder / "out").exists(), "outputs of a study that was refused"
    assert all(p.found and p.allowed and str(folder) not in str(p) for p in problems)
    return [(p.file, p.place, p.column) for p in problems]


def with_species(**changes) -> dict:
    study = copy.deepcopy(STUDY)
    study["species"][0] |= changes
    return study


def test_a_good_study_passes_and_is_written_in_its_normal_form(tmp_path):
    out = run(write_study(tmp_path))
    check = json.loads(out["check"].read_text(encoding="utf-8"))
    assert check["species"]["topshell"]["n_samples"] == 5
    assert (check["species"]["topshell"]["n_baseline"], check["species"]["topshell"]["n_query"]) == (3, 2)
    assert check["species"]["topshell"]["contigs"] == [
        {"chrom": "chr1", "length_bp": 5000},
        {"chrom": "chr2", "length_bp": 4000},
    ]
    assert check["report_date"] == "2019-12-31"
    assert list(check["files"]) == ["samples.csv", "sites.csv", "topshell.vcf.gz", "transfers.csv"]
    assert str(tmp_path) not in out["check"].read_text(encoding="utf-8")
    assert read_table(out["samples"], "input_samples")["materialSampleID"].tolist() == IDS
    assert read_table(out["sites"], "input_sites")["kind"].tolist() == ["wild", "wild", "farm"]
    assert read_table(out["transfers"], "input_transfers")["individualCount"].tolist() == [400, 150]


def test_a_study_without_moves_gets_a_table_with_a_header_alone(tmp_path):
    study = {key: value for key, value in STUDY.items() if key != "transfers"}
    out = run(write_study(tmp_path), study)
    assert out["transfers"].read_text(encoding="utf-8") == (
        "transferID,species,eventDate,sourceLocationID,destinationLocationID,individualCount,lifeStage,lost_or_dead,"
        "purpose\n"
    )


def test_the_date_of_the_settings_goes_before_that_of_the_samples(tmp_path):
    out = run(write_study(tmp_path), {**STUDY, "report": {"date": "2020-02-01"}})
    assert json.loads(out["check"].read_text(encoding="utf-8"))["report_date"] == "2020-02-01"


def test_a_vcf_that_declares_no_chromosome_passes_as_the_standard_lets_it(tmp_path):
    """VCF 4.3, section 1.4.7: contig lines are recommended, not required (from memory)."""
    out = run(write_study(tmp_path, topshell__vcf__gz=vcf_text(contigs=())))
    assert json.loads(out["check"].read_text(encoding="utf-8"))["species"]["topshell"]["contigs"] == []


@pytest.mark.parametrize(
    "dress",
    [
        lambda t: "\ufeff" + t,
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.replace("\n", " \n").replace(",", " ,"),
        lambda t: t + "," * t.split("\n")[0].count(",") + "\n \n\n",
    ],
    ids=["bom", "crlf", "trailing blanks", "empty rows"],
)
def test_habits_of_spreadsheets_that_change_nothing_give_the_same_outputs(tmp_path, dress):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    plain = run(write_study(tmp_path / "a"))
    dressed = run(
        write_study(
            tmp_path / "b", samples__csv=dress(SAMPLES), sites__csv=dress(SITES), transfers__csv=dress(TRANSFERS)
        )
    )
    for name in ("samples", "sites", "transfers"):
        assert plain[name].read_bytes() == dressed[name].read_bytes()


def test_further_columns_are_listed(tmp_path):
    sites = "\n".join(f"{line},n" for line in SITES.splitlines()).replace("kind,n", "kind,depth_m")
    out = run(write_study(tmp_path, sites__csv=sites))
    assert json.loads(out["check"].read_text(encoding="utf-8"))["ignored_columns"] == {"sites.csv": ["depth_m"]}


CASES = {
    "missing column": ({"samples__csv": SAMPLES.replace("role", "part")}, [("samples.csv", "line 1", "role")]),
    "a column twice": (
        {"samples__csv": "\n".join(f"{line},query" for line in SAMPLES.splitlines()).replace("Of,query", "Of,role")},
        [("samples.csv", "line 1", "role")],
    ),
    "unknown species of a sample": (
        {"samples__csv": SAMPLES.replace("T4,topshell", "T4,urchin")},
        [
            ("samples.csv", "line 5", "species"),
            ("samples.csv", "line 6", "replicateOf"),
            ("topshell.vcf.gz", "line 5", "T4"),
        ],
    ),
    "unknown kind of site": (
        {"sites__csv": SITES.replace("farm", "farmed")},
        [("sites.csv", "line 4", "kind")],
    ),
    "duplicate site": (
        {"sites__csv": SITES + "ald_north,Old Quay,58.25,-6.5,Aldermark,wild\n"},
        [("sites.csv", "line 5", "locationID")],
    ),
    "duplicate move": (
        {"transfers__csv": TRANSFERS.replace("M2", "M1")},
        [("transfers.csv", "line 3", "transferID")],
    ),
    "longitude out of range": (
        {"sites__csv": SITES.replace("-7.75", "352.25")},
        [("sites.csv", "line 4", "decimalLongitude")],
    ),
    "a month that is none": (
        {"samples__csv": SAMPLES.replace("2019-06-01", "2019-13-01")},
        [("samples.csv", "line 2", "eventDate")],
    ),
    "a span that ends before it starts": (
        {"samples__csv": SAMPLES.replace("2019-06-03/2019-06-05", "2019-06-05/2019-06-03")},
        [("samples.csv", "line 5", "eventDate")],
    ),
    "a spreadsheet's count of days": (
        {"samples__csv": SAMPLES.replace("2019-06-01", "43617")},
        [("samples.csv", "line 2", "eventDate")],
    ),
    "a date the other way round": (
        {"transfers__csv": TRANSFERS.replace("2018-05-02", "02/05/2018")},
        [("transfers.csv", "line 2", "eventDate")],
    ),
    "UTF-16": ({"samples__csv": SAMPLES.encode("utf-16")}, [("samples.csv", "line 1", "")]),
    "a spreadsheet": ({"samples__csv": b"PK\x03\x04" + SAMPLES.encode()}, [("samples.csv", "", "")]),
    "unknown site": (
        {"samples__csv": SAMPLES.replace("T3,topshell,ald_south", "T3,topshell,ald_west")},
        [("samples.csv", "line 4", "locationID")],
    ),
    "unknown site of a move": (
        {"transfers__csv": TRANSFERS.replace("ald_north", "ald_west")},
        [("transfers.csv", "line 2", "sourceLocationID")],
    ),
    "unknown species": (
        {"transfers__csv": TRANSFERS.replace("M2,topshell", "M2,urchin")},
        [("transfers.csv", "line 3", "species")],
    ),
    "unknown role": (
        {"samples__csv": SAMPLES.replace("2019,baseline", "2019,base")},
        [("samples.csv", "line 4", "role")],
    ),
    "duplicate sample": (
        {"samples__csv": SAMPLES + "T1,topshell,ald_south,2019,query,,\n"},
        [("samples.csv", "line 7", "materialSampleID")],
    ),
    "duplicate sample in a header": (
        {"topshell__vcf__gz": vcf_text([*IDS, "T1"])},
        [("topshell.vcf.gz", "line 5", "T1")],
    ),
    "sample in the table only": (
        {"samples__csv": SAMPLES + "T9,topshell,ald_south,2019,query,,\n"},
        [("samples.csv", "line 7", "materialSampleID")],
    ),
    "sample in a header only": ({"topshell__vcf__gz": vcf_text([*IDS, "T9"])}, [("topshell.vcf.gz", "line 5", "T9")]),
    "latitude out of range": (
        {"sites__csv": SITES.replace("58.25", "91")},
        [("sites.csv", "line 2", "decimalLatitude")],
    ),
    "swapped coordinates": (
        {"sites__csv": SITES.replace("57.5,-6.25", "-6.25,57.5")},
        [("sites.csv", "line 3", "decimalLatitude")],
    ),
    "swapped coordinates beyond the pole": (
        {"sites__csv": SITES.replace("58.25,-6.5", "-158,57")},
        [("sites.csv", "line 2", "decimalLatitude")],
    ),
    "decimal comma": ({"sites__csv": SITES.replace("57.5", '"57,5"')}, [("sites.csv", "line 3", "decimalLatitude")]),
    "semicolons": ({"sites__csv": SITES.replace(",", ";")}, [("sites.csv", "line 1", "")]),
    "not UTF-8": ({"sites__csv": SITES.replace("South", "Söuth").encode("latin-1")}, [("sites.csv", "line 3", "")]),
    "empty table": ({"samples__csv": ""}, [("samples.csv", "", "")]),
    "empty genotypes": ({"topshell__vcf__gz": ""}, [("topshell.vcf.gz", "", "")]),
    "too many fields": ({"samples__csv": SAMPLES.replace("T2,", "T2,T2,")}, [("samples.csv", "line 3", "")]),
    "line after a line break in quotes": (
        {"sites__csv": SITES.replace("North Quay", '"North\nQuay"').replace("farm", "fram")},
        [("sites.csv", "line 5", "kind")],
    ),
    "invalid date": (
        {"samples__csv": SAMPLES.replace("2019-06,", "2019-06-31,")},
        [("samples.csv", "line 3", "eventDate")],
    ),
    "no baseline animal": (
        {"samples__csv": SAMPLES.replace("baseline", "query")},
        [("samples.csv", "species topshell", "role")],
    ),
    "baseline at a farm only": (
        {"samples__csv": SAMPLES.replace("ald_north", "ves_west").replace("ald_south", "ves_west")},
        [("samples.csv", "species topshell", "role")],
    ),
    "no animals moved": (
        {"transfers__csv": TRANSFERS.replace("400", "0")},
        [("transfers.csv", "line 2", "individualCount")],
    ),
    "more lost than moved": (
        {"transfers__csv": TRANSFERS.replace(",12", ",401")},
        [("transfers.csv", "line 2", "lost_or_dead")],
    ),
    "replicate of itself": (
        {"samples__csv": SAMPLES.replace("19,T4", "19,S-05/a")},
        [("samples.csv", "line 6", "replicateOf")],
    ),
    "no VCF at all": ({"topshell__vcf__gz": SAMPLES}, [("topshell.vcf.gz", "line 1", "")]),
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.replace(" ", "_"))
def test_bad_input_is_told_with_file_line_and_column(tmp_path, case):
    changes, expected = CASES[case]
    assert told(write_study(tmp_path, **changes)) == expected


def test_a_truncated_vcf_is_told(tmp_path):
    content = packed(vcf_text(), "bgzip", tmp_path)
    assert told(write_study(tmp_path, topshell__vcf__gz=content[:-10])) == [("topshell.vcf.gz", "end of file", "")]
    assert told(write_study(tmp_path, topshell__vcf__gz=content[:60])) == [("topshell.vcf.gz", "header", "")]
    assert told(write_study(tmp_path, topshell__vcf__gz=vcf_text()[:-6])) == [("topshell.vcf.gz", "last line", "")]


@pytest.mark.parametrize("name", ["samples.csv", "sites.csv", "transfers.csv", "topshell.vcf.gz"])
def test_a_missing_file_or_a_folder_is_told_alone(tmp_path, name):
    write_study(tmp_path)
    (tmp_path / name).unlink()
    assert told(tmp_path) == [(name, "", "")]
    (tmp_path / name).mkdir()
    assert told(tmp_path) == [(name, "", "")]


def test_a_file_that_may_not_be_read_is_told(tmp_path):
    """As another user where the tests run as root, for whom no mode counts."""
    (tmp_path / "good").mkdir()
    write_study(tmp_path / "good")
    write_study(tmp_path)
    (tmp_path / "sites.csv").chmod(0)
    script = f"""
        import os, sys
        sys.path[:0] = [{str(ROOT / "scripts")!r}, {str(ROOT)!r}]
        from tests.made_inputs import run
        from homewater.running.errors import InputError
        from pathlib import Path
        run(Path({str(tmp_path / "good")!r}))  # loads what it needs while that can still be read
        if os.geteuid() == 0:
            folder = Path({str(tmp_path)!r})
            while folder.stat().st_mode & 0o777 == 0o700:  # those that pytest has made for one user alone
                os.chmod(folder, 0o755)
                folder = folder.parent
            os.seteuid(65534)
        try:
            run(Path({str(tmp_path)!r}))
        except InputError as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, env={**os.environ, "HOME": "/"}
    )
    assert done.stdout.splitlines() == [
        "sites.csv: found a file that this user may not read; allowed: a file that can be read; "
        "its path is relative to the study file"
    ], done.stderr


def test_a_file_that_the_system_refuses_is_told(tmp_path, monkeypatch):
    """The same where the system itself says no, as on a share that denies its owner."""
    import builtins

    usual = builtins.open

    def deny(file, *rest, **named):
        if str(file).endswith("sites.csv"):
            raise PermissionError(13, "Permission denied", str(file))
        return usual(file, *rest, **named)

    write_study(tmp_path)
    monkeypatch.setattr(builtins, "open", deny)
    assert told(tmp_path) == [("sites.csv", "", "")]


def test_a_site_without_animals_or_with_one_is_allowed(tmp_path):
    sites = SITES + "ald_bare,Bare Skerry,57.75,-6.5,Aldermark,wild\n"
    out = run(write_study(tmp_path, sites__csv=sites))
    assert read_table(out["sites"], "input_sites")["locationID"].tolist()[-1] == "ald_bare"
    assert read_table(out["samples"], "input_samples")["locationID"].tolist().count("ald_south") == 1


@pytest.mark.parametrize(("latitude", "longitude"), [(57.25, -4.5), (45.0, 5.0)])
def test_a_site_on_land_far_from_water_is_told(tmp_path, latitude, longitude):
    """On a drawn land of two degrees; the step of distances by water says it, in the study's own words."""
    ring = (
        [[-6, 56], [-3, 56], [-3, 58.5], [-6, 58.5], [-6, 56]]
        if longitude < 0
        else [[2, 42], [8, 42], [8, 48], [2, 48], [2, 42]]
    )
    (tmp_path / "coast.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}), encoding="utf-8")
    sites = SITES + f"ald_inland,Inland Quay,{latitude},{longitude},Aldermark,wild\n"
    out = run(write_study(tmp_path, sites__csv=sites))
    with pytest.raises(InputError) as caught:
        sea_distance(
            sites=str(out["sites"]), coastline=str(tmp_path / "coast.geojson"), distances=str(tmp_path / "km.csv"),
            positions=str(tmp_path / "places.csv"), cell_degrees=0.1, max_snap_km=20,
        )  # fmt: skip
    (problem,) = caught.value.problems
    assert (problem.file, problem.place) == ("sites", "locationID ald_inland")
    assert problem.found == f"{latitude:g}, {longitude:g}: no water within 20 km of this place"
    assert not (tmp_path / "km.csv").exists()


def test_all_faults_of_all_files_are_told_together(tmp_path):
    write_study(
        tmp_path,
        sites__csv=SITES.replace("farm", "fram").replace("57.5", "x"),
        samples__csv=SAMPLES.replace("T3,topshell", "T3,topshel"),
        transfers__csv=TRANSFERS.replace("2018-05-09", "May"),
        topshell__vcf__gz=vcf_text([*IDS, "T9"]).replace("ID=GT,", "ID=DP,"),
        coast__geojson="{}",
    )
    study = with_species(native_range="range.geojson")
    study["coastline"] = "coast.geojson"
    assert told(tmp_path, study) == [
        ("sites.csv", "line 3", "decimalLatitude"),
        ("sites.csv", "line 4", "kind"),
        ("samples.csv", "line 4", "species"),
        ("transfers.csv", "line 3", "eventDate"),
        ("coast.geojson", "", "type"),
        ("topshell.vcf.gz", "header", "FORMAT"),
        ("topshell.vcf.gz", "line 5", "T3"),
        ("topshell.vcf.gz", "line 5", "T9"),
        ("range.geojson", "", ""),
    ]


def test_a_native_range_without_any_baseline_site_is_told(tmp_path):
    far = json.dumps({"type": "Polygon", "coordinates": [[[x + 40, y] for x, y in SQUARE]]})
    write_study(tmp_path, range__geojson=far)
    assert told(tmp_path, with_species(native_range="range.geojson")) == [("samples.csv", "species topshell", "role")]
    write_study(tmp_path, range__geojson=RANGE)
    assert run(tmp_path, with_species(native_range="range.geojson"))["check"].exists()


def test_map_and_reference_are_checked(tmp_path):
    study = with_species(recombination={"map": "map.csv"}, reference="r.fa")
    write_study(tmp_path, map__csv="chrom,pos,cm\nchr1,1,0\nchr1,5000,50\n", r__fa=">chr1\nACGT\n")
    assert run(tmp_path, study)["check"].exists()
    (tmp_path / "out" / "check.json").unlink()
    for path in (tmp_path / "out").iterdir():
        path.unlink()
    (tmp_path / "out").rmdir()
    write_study(tmp_path, map__csv="chrom,pos,cm\nchr1,1,0\nchr1,5000,-1\nchr1,6000,5\nchr1,4000,60\n", r__fa="ACGT\n")
    assert told(tmp_path, study) == [("r.fa", "line 1", ""), ("map.csv", "line 3", "cm"), ("map.csv", "line 5", "pos")]


def test_a_species_of_the_study_without_samples_is_told(tmp_path):
    study = with_species()
    study["species"].append({**study["species"][0], "id": "urchin", "genotypes": ["urchin.vcf"]})
    write_study(tmp_path, urchin__vcf=vcf_text(["U1"]))
    assert told(tmp_path, study) == [("urchin.vcf", "line 5", "U1"), ("samples.csv", "", "species")]


def test_an_unknown_setting_is_told_before_any_file_is_opened():
    with pytest.raises(InputError) as caught:
        check_settings({**STUDY, "marker": {}}, "study.yaml")
    assert [(p.file, p.place) for p in caught.value.problems] == [("study.yaml", "marker")]


def test_paths_from_the_root_never_reach_messages_or_outputs(tmp_path):
    write_study(tmp_path)
    study = with_species(genotypes=[str(tmp_path / "topshell.vcf.gz")])
    out = run(tmp_path, study)
    assert str(tmp_path) not in out["check"].read_text(encoding="utf-8")
    assert "topshell.vcf.gz" in json.loads(out["check"].read_text(encoding="utf-8"))["files"]
    for path in (tmp_path / "out").iterdir():
        path.unlink()
    (tmp_path / "out").rmdir()
    (tmp_path / "topshell.vcf.gz").write_text("no VCF")
    assert told(tmp_path, study) == [("topshell.vcf.gz", "line 1", "")]
