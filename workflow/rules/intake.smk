localrules:
    check_inputs,


rule check_inputs:
    input:
        files=user_files(),
        library=library("check_inputs"),
    output:
        check="results/{study}/inputs/check.json",
        samples="results/{study}/inputs/samples.csv",
        sites="results/{study}/inputs/sites.csv",
        transfers="results/{study}/inputs/transfers.csv",
    log:
        "results/{study}/logs/check_inputs.log",
    benchmark:
        "results/{study}/benchmarks/check_inputs.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("check_inputs"),
        runtime=minutes("check_inputs"),
    params:
        study=named_inputs(),
    script:
        "../../scripts/steps/check_inputs.py"


rule sea_distance:
    input:
        checked="results/{study}/inputs/check.json",
        sites="results/{study}/inputs/sites.csv",
        coastline=coastline(),
        library=library("sea_distance"),
    output:
        distances="results/{study}/inputs/sea_distance.csv",
        positions="results/{study}/inputs/site_positions.csv",
    log:
        "results/{study}/logs/sea_distance.log",
    benchmark:
        "results/{study}/benchmarks/sea_distance.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("sea_distance"),
        runtime=minutes("sea_distance"),
    params:
        cell_degrees=SETTINGS["structure"]["sea_cell_degrees"],
        max_snap_km=SETTINGS["structure"]["max_snap_km"],
    script:
        "../../scripts/steps/sea_distance.py"


localrules:
    plan_parts,


rule plan_parts:
    input:
        checked="results/{study}/inputs/check.json",
        genotype_files=lambda wildcards: genotype_files(wildcards.species),
        index_files=lambda wildcards: index_files(wildcards.species),
        library=library("plan_parts"),
    output:
        plan="results/{study}/{species}/intake/parts/plan.json",
    log:
        "results/{study}/{species}/logs/plan_parts.log",
    benchmark:
        "results/{study}/{species}/benchmarks/plan_parts.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("plan_parts"),
        runtime=minutes("plan_parts"),
    params:
        n_parts=lambda wildcards: len(parts(wildcards.species)),
    script:
        "../../scripts/steps/plan_parts.py"


rule import_part:
    input:
        plan="results/{study}/{species}/intake/parts/plan.json",
        samples="results/{study}/inputs/samples.csv",
        sites="results/{study}/inputs/sites.csv",
        genotype_files=lambda wildcards: genotype_files(wildcards.species),
        marker_table=lambda wildcards: marker_table(wildcards.species),
        library=library("import_part"),
    output:
        part=directory("results/{study}/{species}/intake/parts/{part}.zarr"),
    log:
        "results/{study}/{species}/logs/import_part.{part}.log",
    benchmark:
        "results/{study}/{species}/benchmarks/import_part.{part}.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("import_part"),
        runtime=minutes("import_part"),
    params:
        part_number=lambda wildcards: int(wildcards.part),
        min_genotype_quality=SETTINGS["markers"]["min_genotype_quality"],
        min_read_depth=SETTINGS["markers"]["min_read_depth"],
    script:
        "../../scripts/steps/import_part.py"


rule genotypes:
    input:
        plan="results/{study}/{species}/intake/parts/plan.json",
        parts=lambda wildcards: [
            f"results/{STUDY}/{wildcards.species}/intake/parts/{part}.zarr" for part in parts(wildcards.species)
        ],
        samples="results/{study}/inputs/samples.csv",
        sites="results/{study}/inputs/sites.csv",
        library=library("genotypes"),
    output:
        genotypes=directory("results/{study}/{species}/intake/genotypes.zarr"),
        file_conflicts="results/{study}/{species}/intake/file_conflicts.csv",
    log:
        "results/{study}/{species}/logs/genotypes.log",
    benchmark:
        "results/{study}/{species}/benchmarks/genotypes.tsv"
    threads: 2
    resources:
        mem_mb=memory_mb("genotypes"),
        runtime=minutes("genotypes"),
    script:
        "../../scripts/steps/genotypes.py"
