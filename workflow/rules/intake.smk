localrules:
    check_inputs,
    plan_parts,


rule check_inputs:
    input:
        files=user_files(),
        library=library("check_inputs"),
    output:
        check=of_study("inputs/check.json"),
        sample_sheet=of_study("inputs/samples.csv"),
        sites=of_study("inputs/sites.csv"),
        transfers=of_study("inputs/transfers.csv"),
    log:
        log_of("check_inputs", of_study),
    benchmark:
        benchmark_of("check_inputs", of_study)
    threads: 1
    resources:
        **needs("check_inputs"),
    params:
        study=named_inputs(),
    script:
        "../../scripts/steps/check_inputs.py"


rule sea_distance:
    input:
        checked=of_study("inputs/check.json"),
        sites=of_study("inputs/sites.csv"),
        coastline=coastline(),
        library=library("sea_distance"),
    output:
        distances=of_study("inputs/sea_distance.csv"),
        positions=of_study("inputs/site_positions.csv"),
    log:
        log_of("sea_distance", of_study),
    benchmark:
        benchmark_of("sea_distance", of_study)
    threads: 1
    resources:
        **needs("sea_distance"),
    params:
        cell_degrees=SETTINGS["structure"]["sea_cell_degrees"],
        max_snap_km=SETTINGS["structure"]["max_snap_km"],
    script:
        "../../scripts/steps/sea_distance.py"


rule plan_parts:
    input:
        checked=of_study("inputs/check.json"),
        genotype_files=by_species(genotype_files),
        index_files=by_species(index_files),
        library=library("plan_parts"),
    output:
        plan=of_species("intake/parts/plan.json"),
    log:
        log_of("plan_parts"),
    benchmark:
        benchmark_of("plan_parts")
    threads: 1
    resources:
        **needs("plan_parts"),
    params:
        n_parts=by_species(n_parts),
    script:
        "../../scripts/steps/plan_parts.py"


rule import_part:
    input:
        plan=of_species("intake/parts/plan.json"),
        sample_sheet=of_study("inputs/samples.csv"),
        sites=of_study("inputs/sites.csv"),
        genotype_files=by_species(genotype_files),
        marker_table=species_file("marker_table"),
        library=library("import_part"),
    output:
        part=directory(of_species("intake/parts/{part}.zarr")),
    log:
        log_of("import_part.{part}"),
    benchmark:
        benchmark_of("import_part.{part}")
    threads: 1
    resources:
        **needs("import_part"),
    params:
        part_number=lambda wildcards: int(wildcards.part),
        min_genotype_quality=SETTINGS["markers"]["min_genotype_quality"],
        min_read_depth=SETTINGS["markers"]["min_read_depth"],
    script:
        "../../scripts/steps/import_part.py"


rule genotypes:
    input:
        plan=of_species("intake/parts/plan.json"),
        parts=part_stores,
        sample_sheet=of_study("inputs/samples.csv"),
        sites=of_study("inputs/sites.csv"),
        library=library("genotypes"),
    output:
        genotypes=directory(of_species("intake/genotypes.zarr")),
        file_conflicts=of_species("intake/file_conflicts.csv"),
    log:
        log_of("genotypes"),
    benchmark:
        benchmark_of("genotypes")
    threads: 2
    resources:
        **needs("genotypes"),
    script:
        "../../scripts/steps/genotypes.py"
