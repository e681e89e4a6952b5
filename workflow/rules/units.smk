rule units:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        breaks="results/{study}/{species}/structure/breaks.csv",
        sites="results/{study}/inputs/sites.csv",
        site_roles="results/{study}/{species}/intake/site_roles.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("units"),
    output:
        units="results/{study}/{species}/units/units.csv",
        summary="results/{study}/{species}/units/summary.json",
    log:
        "results/{study}/{species}/logs/units.log",
    benchmark:
        "results/{study}/{species}/benchmarks/units.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("units"),
        runtime=minutes("units"),
    params:
        settings=SETTINGS["units"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        seed=SETTINGS["study"]["seed"],
        species=lambda wildcards: wildcards.species,
    script:
        "../../scripts/steps/units.py"


rule isolation_by_distance:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("isolation_by_distance"),
    output:
        table="results/{study}/{species}/structure/isolation_by_distance.csv",
    log:
        "results/{study}/{species}/logs/isolation_by_distance.log",
    benchmark:
        "results/{study}/{species}/benchmarks/isolation_by_distance.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("isolation_by_distance"),
        runtime=minutes("isolation_by_distance"),
    script:
        "../../scripts/steps/isolation_by_distance.py"


rule variance_shares:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("variance_shares"),
    output:
        table="results/{study}/{species}/structure/variance_shares.csv",
    log:
        "results/{study}/{species}/logs/variance_shares.log",
    benchmark:
        "results/{study}/{species}/benchmarks/variance_shares.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("variance_shares"),
        runtime=minutes("variance_shares"),
    script:
        "../../scripts/steps/variance_shares.py"
