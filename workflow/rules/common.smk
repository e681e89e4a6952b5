# Functions and names that the rules share; no rule stands here.
import ast
import os
import sys
from functools import cache
from pathlib import Path

from snakemake.exceptions import WorkflowError

ROOT = Path(str(workflow.current_basedir)).resolve().parents[1]
SCRIPTS = ROOT / "scripts"
sys.path.insert(0, str(SCRIPTS))
# steps run in processes of their own, on a cluster too; jobs inherit this
os.environ["PYTHONPATH"] = os.pathsep.join(
    [str(SCRIPTS)] + [p for p in os.environ.get("PYTHONPATH", "").split(os.pathsep) if p and p != str(SCRIPTS)]
)

from homewater.running.errors import InputError
from homewater.running.clone import LAND
from homewater.running.resources import memory_mb, minutes
from homewater.inputs.settings import check_settings, input_files, shown_names
from homewater.intake.genome_parts import INDEX_SUFFIXES
from homewater.intake.genome_parts import n_parts as n_parts_of_files
from homewater.tables.report_tables import REPORT_FILES


def checked(raw):
    """Return the settings with their defaults; a fault ends the run before any job."""
    raw = {key: value for key, value in raw.items() if key != "study_dir"}
    try:
        return check_settings(raw, "study file")
    except InputError as error:
        raise WorkflowError(str(error)) from None


STUDY_DIR = Path(
    str(
        config.get(
            "study_dir",
            ("config" if not workflow.configfiles else Path(str(workflow.configfiles[0])).parent),
        )
    )
).resolve()
config["study_dir"] = str(STUDY_DIR)  # steps that read the user's files by the study's own paths find them here
SETTINGS = checked(config)
STUDY = SETTINGS["study"]["id"]
SPECIES = [species["id"] for species in SETTINGS["species"]]
OF_SPECIES = {species["id"]: species for species in SETTINGS["species"]}


wildcard_constraints:
    study=STUDY,
    species="|".join(SPECIES),
    part="[0-9]+",


# --- where things lie ---


def of_study(path):
    """Return a path among the results of the study; which study it is stays open, as a wildcard."""
    return f"results/{{study}}/{path}"


def of_species(path):
    """Return a path among the results of one species; study and species stay open, as wildcards."""
    return of_study(f"{{species}}/{path}")


def of_each_species(path):
    """Return one path a species, in the study file's order; the study stays open, as a wildcard."""
    return [of_study(f"{species}/{path}") for species in SPECIES]


def report_file(suffix):
    """Return the path of the report in one of its forms; which study it is stays open, as a wildcard."""
    return f"reports/{{study}}.{suffix}"


def log_of(job, place=of_species):
    """Return the log of a rule, named as the rule with the wildcards that tell its jobs apart."""
    return place(f"logs/{job}.log")


def benchmark_of(job, place=of_species):
    """Return the table of time and memory of a rule; arguments as in `log_of`."""
    return place(f"benchmarks/{job}.tsv")


def study_file(path):
    """Return a path of the study file as one that jobs can open: relative paths start at the study file's folder."""
    return str(STUDY_DIR / path)


# --- what belongs to the species of a job ---


def by_species(function):
    """Return `function`, which takes a species, as one that takes the wildcards of a job."""
    return lambda wildcards: function(wildcards.species)


def species_setting(*keys):
    """Return what gives a job the setting of its species under these keys of the study file, or None."""

    def setting(species):
        value = OF_SPECIES[species]
        for key in keys:
            value = value.get(key)
        return value

    return by_species(setting)


def species_file(*keys):
    """Return what gives a job the file that the study file names under these keys of its species, or nothing."""
    setting = species_setting(*keys)

    def files(wildcards):
        path = setting(wildcards)
        return [study_file(path)] if path else []

    return files


def genotype_files(species):
    """Return the genotype files of a species, in the study file's order."""
    return [study_file(path) for path in OF_SPECIES[species]["genotypes"]]


def index_files(species):
    """Return the index files that stand beside the genotype files."""
    candidates = [f"{path}{suffix}" for path in genotype_files(species) for suffix in INDEX_SUFFIXES]
    return [path for path in candidates if os.path.exists(path)]


@cache
def n_parts(species):
    """Return the number of parts in which a species' genotypes are read; it depends on the files alone."""
    files, indexes = genotype_files(species), set(index_files(species))
    sizes = [os.path.getsize(path) if os.path.isfile(path) else 0 for path in files]
    indexed = [any(path + suffix in indexes for suffix in INDEX_SUFFIXES) for path in files]
    return n_parts_of_files(sizes, indexed)


def part_stores(wildcards):
    """Return the stores of all parts of a species' genotypes, in their order."""
    store = of_species("intake/parts/{part}.zarr")
    found = {"study": wildcards.study, "species": wildcards.species}
    return [store.format(part=part, **found) for part in range(n_parts(wildcards.species))]


def reference_name(species):
    """Return how messages call the reference genome; empty without one."""
    path = OF_SPECIES[species].get("reference")
    return shown_names(SETTINGS)[path] if path else ""


# --- what the study names ---


def coastline():
    """Return the coastline that the study draws and measures on."""
    path = SETTINGS["coastline"]
    return str(LAND) if path == "global" else study_file(path)


def user_files():
    """Return every file that the study names, in the order of the contract."""
    return [study_file(path) for _, path in input_files(SETTINGS)]


def named_inputs():
    """Return the settings on which the checks of the input depend, so that other settings do not re-run all."""
    dated = {key: value for key, value in SETTINGS["report"].items() if key == "date"}
    keys = [key for key in ("species", "samples", "sites", "transfers", "coastline") if key in SETTINGS]
    return {key: SETTINGS[key] for key in keys} | {"report": dated}


@cache
def library(step):
    """Return the homewater files that a step imports, transitively, so that editing one re-runs the rule."""
    found, todo = set(), [SCRIPTS / "steps" / f"{step}.py"]
    while todo:
        for node in ast.walk(ast.parse(todo.pop().read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("homewater"):
                names = [node.module] + [f"{node.module}.{alias.name}" for alias in node.names]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names if alias.name.startswith("homewater")]
            for name in names:
                file = SCRIPTS.joinpath(*name.split(".")).with_suffix(".py")
                if file.exists() and file not in found:
                    found.add(file)
                    todo.append(file)
    return sorted(map(str, found))


@cache
def _size(species):
    files = [path for name in ([species] if species else SPECIES) for path in genotype_files(name)]
    return sum(os.path.getsize(path) for path in files if os.path.isfile(path))


@cache
def _n_samples():
    try:
        with open(study_file(SETTINGS["samples"]), "rb") as handle:
            return sum(1 for _ in handle)
    except OSError:
        return 1  # check_inputs will say what is wrong with the file


def needs(rule):
    """Return the resources of a rule: memory by its formula, capped at what the machine has, and run time."""
    limit_mb = int(os.environ.get("HOMEWATER_MEMORY_MB", "0"))

    def mem_mb(wildcards):
        wanted = memory_mb(rule, _size(wildcards.get("species", "")), _n_samples())
        return min(wanted, limit_mb) if limit_mb else wanted

    def runtime(wildcards):
        return minutes(rule, _size(wildcards.get("species", "")), _n_samples())

    return {"mem_mb": mem_mb, "runtime": runtime}


# --- what a run makes ---


def outputs():
    """Return every file and folder that a run makes, but for logs, benchmarks and scratch."""
    folders = ["intake/markers.parquet", "intake/genotypes.zarr", "intake/site_counts.zarr"]
    more = ["units/detection_curve.csv", "panel/reference_animals.csv"]
    more += ["panel/panel.vcf", "panel/panel_flanks.fasta"]
    more += ["assignment/cutoffs.json", "assignment/summary.json"]
    inputs = ["check.json", "samples.csv", "sites.csv", "transfers.csv", "sea_distance.csv", "site_positions.csv"]
    paths = [of_study(f"inputs/{name}") for name in inputs]
    for name in folders + list(REPORT_FILES.values()) + more:
        paths += of_each_species(name)
    return paths + [report_file("html"), report_file("pdf")]


def study_file_name():
    """Return the study file's name, for the record of the run."""
    return Path(str(workflow.configfiles[0])).name if workflow.configfiles else "study.yaml"
