rule panel:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        units_summary="results/{study}/{species}/units/summary.json",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        library=library("panel"),
    output:
        panel="results/{study}/{species}/panel/panel.csv",
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
    script:
        "../../scripts/steps/panel.py"
