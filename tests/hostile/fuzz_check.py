"""What must hold of every mutated study: a right result, or a refusal that names the place; nothing else."""

from __future__ import annotations

import re

from tests.hostile import fuzz_naive
from tests.hostile.fuzz_intake import Child, Outcome
from tests.hostile.fuzz_mutations import HARMFUL, NEUTRAL, Example, text_of_genotypes
from tests.hostile.fuzz_study import ANIMALS, HALVES, REST, animals_of, study_files, vcf_text

MESSAGE_LENGTH = 1500  # characters of one problem; longer is no clear message


class Judge:
    """Runs examples in a child and says what is wrong with their outcome."""

    def __init__(self):
        self._child = Child(compiling=600)
        self.valid = {form: self._valid(form) for form in ("topshell.vcf.gz", "calls.csv", HALVES)}

    def _valid(self, form: str) -> dict:
        found = self._child.take_in(study_files(form))
        assert found.kind == "done", found.text
        return found.results

    def close(self) -> None:
        """End the child."""
        self._child.close()

    def outcome(self, example: Example) -> Outcome:
        """Return how an example ended, after having checked it.

        Raises:
            AssertionError: where the outcome is no right one.
        """
        found = self._child.take_in(example.files, example.part_bytes)
        assert found.kind in ("done", "refused"), f"{example!r}: {found.kind}\n{found.text}"
        if found.kind == "refused":
            assert example.kind != NEUTRAL, f"{example!r} changes nothing, and was refused:\n{found.text}"
            check_refusal(example, found)
        else:
            assert example.kind != HARMFUL, f"{example!r} was taken in"
            valid = self.valid.get(example.form, self.valid["topshell.vcf.gz"])
            check_results(example, found.results, valid)
        return found


def check_refusal(example: Example, found: Outcome) -> None:
    """Check that a refusal names known files, says what was found and what is allowed, in one printable line each."""
    called = {"samples": "samples.csv", "sites": "sites.csv", "genotypes": example.form}  # as scripts/run resolves them
    names = set(example.files) | {"study.yaml"}
    assert found.problems, example
    assert "<FOLDER>" not in found.text, f"{example!r}: an absolute path in\n{found.text}"
    for problem in found.problems:
        listed = [called.get(name, name) for name in problem["file"].split(", ")]
        assert set(listed) <= names, f"{example!r}: unknown file in {problem}"
        assert all((problem["found"], problem["allowed"])), f"{example!r}: {problem}"
        line = f"{problem['file']}, {problem['place']}, {problem['column']}: {problem['found']}; {problem['allowed']}"
        assert line.isprintable(), f"{example!r}: {line!r}"
        assert len(line) < MESSAGE_LENGTH, f"{example!r}: {line}"
    if "study.yaml" not in example.changed:
        told = {called.get(name, name) for problem in found.problems for name in problem["file"].split(", ")}
        assert told & (set(example.changed) | related(example)), f"{example!r}: told of {told} alone"


def related(example: Example) -> set[str]:
    """Return the files that a change may leave in disagreement with the changed one."""
    (name,) = example.changed
    if name == "samples.csv" or name == "sites.csv":
        return {"samples.csv", "sites.csv", "transfers.csv", example.form, REST}
    if name.startswith("topshell") or name in ("calls.csv", "markers.csv"):
        return {"samples.csv", "map.csv", "markers.csv", example.form, REST}
    return {"range.geojson": {"samples.csv"}, "coast.geojson": {"sites.csv"}}.get(name, set())


def check_results(example: Example, results: dict, valid: dict) -> None:
    """Check an accepted study: that of the valid one where nothing changed, else what a naive reading gives."""
    if "study.yaml" in example.changed:
        return  # other settings, other results; the naive reading below takes those of the valid study
    if example.kind == NEUTRAL:
        for key in valid:
            if isinstance(valid[key], list):
                assert in_any_order(results[key]) == in_any_order(valid[key]), f"{example!r}: {key}"
            elif key != "sea_km":
                for part in valid[key]:
                    assert plain(results[key][part]) == plain(valid[key][part]), f"{example!r}: {key}, {part}"
        assert results["sea_km"] == valid["sea_km"], example
    for name in ("samples", "sites", "transfers"):
        check_table(example, results[name], fuzz_naive.read_table(example.files[f"{name}.csv"]))
    found = results["topshell"]
    naive = naive_genotypes(example, [row["materialSampleID"] for row in results["samples"]])
    if naive is not None:
        genotypes, identifiers = naive
        assert found["genotypes"] == genotypes, f"{example!r}: genotypes"
        assert found["identifiers"] == identifiers, f"{example!r}: identifiers"
    site = {row["materialSampleID"]: row["locationID"] for row in results["samples"]}
    for place, counts in found["site_counts"].items():
        defining = [name for name in found["defines"] if site[name] == place]
        assert counts == fuzz_naive.counted(found["genotypes"], defining), f"{example!r}: counts at {place}"


def naive_genotypes(example: Example, animals: list[str]) -> tuple[dict, dict] | None:
    """Return the naive reading of the genotypes, or None where there is none."""
    text = text_of_genotypes(example)
    if example.form == HALVES and not set(example.changed) & {HALVES, REST}:
        halves = (animals_of(HALVES), [name for name in ANIMALS if name not in animals_of(HALVES)])
        return fuzz_naive.united([fuzz_naive.read_vcf(vcf_text(tuple(half)), list(half)) for half in halves], animals)
    try:
        if example.form == "calls.csv":
            tables = (fuzz_naive.read_table(example.files[name]) for name in ("calls.csv", "markers.csv"))
            return fuzz_naive.read_calls(*tables)
        return None if text is None else fuzz_naive.read_vcf(text, animals)
    except fuzz_naive.MustBeRefused as error:
        raise AssertionError(f"{example!r}: taken in, though {error}") from None


def plain(value):
    """Return a value in which the order of animals does not matter."""
    if isinstance(value, dict) and all(isinstance(row, dict) and "related_to" in row for row in value.values()):
        return {k: {**row, "related_to": "".join(sorted(row["related_to"].split(",")))} for k, row in value.items()}
    return sorted(value) if isinstance(value, list) and all(isinstance(item, str) for item in value) else value


def in_any_order(rows: list[dict]) -> list:
    """Return rows sorted."""
    return sorted(tuple(sorted(row.items())) for row in rows)


def check_table(example: Example, rows: list[dict], naive: list[dict]) -> None:
    """Check a normalised table against the naive reading: every row, every value of a known column."""
    assert len(rows) == len(naive), f"{example!r}: {len(rows)} rows of {len(naive)}"
    for row, raw in zip(rows, naive, strict=True):
        for column, value in row.items():
            text = raw.get(column, "")
            if column.startswith("decimal") or column in ("length_mm", "individualCount", "lost_or_dead"):
                same = float(text) == float(value) if text else value in ("nan", "None", "<NA>")
            elif column == "eventDate":
                starts = [re.sub(r"T.*", "", part) for part in text.split("/")]
                same = value.split("/")[0] == starts[0] and value.endswith(starts[-1])
            elif column == "kind":
                same = value == (text or "wild")
            elif column.endswith("ID") or column in ("species", "role", "replicateOf"):
                same = value == text
            else:
                same = value.split() == text.split()
            assert same, f"{example!r}: column {column} is {value!r}, written {text!r}"
