"""The list of the report's files: each has a schema of its name or is a record, and planning loads nothing heavy."""

import subprocess
import sys
from pathlib import Path

import pytest

from homewater.tables.report_tables import REPORT_FILES
from homewater.tables.schema_tables import SCHEMAS

SCRIPTS = Path(__file__).resolve().parents[3] / "scripts"


@pytest.mark.parametrize("path", REPORT_FILES.values())
def test_every_table_has_a_schema_of_its_name(path):
    name, _, kind = path.rpartition("/")[2].partition(".")
    assert kind == "json" or (SCHEMAS / f"{name}.json").is_file()


def test_no_file_is_listed_twice():
    assert len(set(REPORT_FILES.values())) == len(REPORT_FILES)


def test_the_list_loads_no_library_that_reads():
    code = (
        "import sys, homewater.tables.report_tables; print(sorted({'numpy', 'pandas', 'pyarrow'} & set(sys.modules)))"
    )
    command = [sys.executable, "-c", code]
    assert subprocess.run(command, cwd=SCRIPTS, capture_output=True, text=True, check=True).stdout == "[]\n"
