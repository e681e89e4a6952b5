rule filters:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/inputs/samples.csv",
        sites="results/{study}/inputs/sites.csv",
        native_range=lambda wildcards: native_range(wildcards.species),
        library=library("filters"),
    output:
        kept_samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        summary="results/{study}/{species}/intake/filter_summary.csv",
        site_roles="results/{study}/{species}/intake/site_roles.csv",
        site_counts=directory("results/{study}/{species}/intake/site_counts.zarr"),
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        kin_thinning="results/{study}/{species}/intake/kin_thinning.csv",
        batch_effects="results/{study}/{species}/intake/batch_effects.csv",
    log:
        "results/{study}/{species}/logs/filters.log",
    benchmark:
        "results/{study}/{species}/benchmarks/filters.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("filters"),
        runtime=minutes("filters"),
    params:
        settings=SETTINGS["markers"],
    script:
        "../../scripts/steps/filters.py"
