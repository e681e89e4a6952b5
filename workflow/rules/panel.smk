rule panel:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        units_summary="results/{study}/{species}/units/summary.json",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        recombination_map=lambda wildcards: recombination_map(wildcards.species),
        library=library("panel"),
    output:
        panel="results/{study}/{species}/panel/panel.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        summary="results/{study}/{species}/panel/summary.json",
    log:
        "results/{study}/{species}/logs/panel.log",
    benchmark:
        "results/{study}/{species}/benchmarks/panel.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("panel"),
        runtime=minutes("panel"),
    params:
        settings=SETTINGS["panel"],
        assignment=SETTINGS["assignment"],
        cm_per_chromosome=lambda wildcards: cm_per_chromosome(wildcards.species),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/panel.py"


rule panel_order:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        panel="results/{study}/{species}/panel/panel.csv",
        panel_summary="results/{study}/{species}/panel/summary.json",
        reference=lambda wildcards: reference(wildcards.species),
        library=library("panel_order"),
    output:
        vcf="results/{study}/{species}/panel/panel.vcf",
        flanks="results/{study}/{species}/panel/panel_flanks.fasta",
        summary="results/{study}/{species}/panel/order.json",
    log:
        "results/{study}/{species}/logs/panel_order.log",
    benchmark:
        "results/{study}/{species}/benchmarks/panel_order.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("panel_order"),
        runtime=minutes("panel_order"),
    params:
        flank_bases=SETTINGS["panel"]["flank_bases"],
        min_clear_bases=SETTINGS["panel"]["min_clear_bases"],
        reference_name=lambda wildcards: reference_name(wildcards.species),
    script:
        "../../scripts/steps/panel_order.py"


rule panel_validation:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        panel="results/{study}/{species}/panel/panel.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        panel_summary="results/{study}/{species}/panel/summary.json",
        units_summary="results/{study}/{species}/units/summary.json",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        recombination_map=lambda wildcards: recombination_map(wildcards.species),
        library=library("panel_validation"),
    output:
        size_curve_table="results/{study}/{species}/panel/size_curve.csv",
        confusion="results/{study}/{species}/panel/confusion.csv",
        controls="results/{study}/{species}/panel/controls.csv",
        calibration="results/{study}/{species}/panel/calibration.csv",
        summary="results/{study}/{species}/panel/validation.json",
    log:
        "results/{study}/{species}/logs/panel_validation.log",
    benchmark:
        "results/{study}/{species}/benchmarks/panel_validation.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("panel_validation"),
        runtime=minutes("panel_validation"),
    params:
        settings=SETTINGS["panel"],
        assignment=SETTINGS["assignment"],
        cm_per_chromosome=lambda wildcards: cm_per_chromosome(wildcards.species),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/panel_validation.py"
