rule breaks:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("breaks"),
    output:
        table="results/{study}/{species}/structure/breaks.csv",
    log:
        "results/{study}/{species}/logs/breaks.log",
    benchmark:
        "results/{study}/{species}/benchmarks/breaks.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("breaks"),
        runtime=minutes("breaks"),
    params:
        settings=SETTINGS["units"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
    script:
        "../../scripts/steps/breaks.py"


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


rule overall_fst:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        library=library("overall_fst"),
    output:
        table="results/{study}/{species}/structure/overall_fst.csv",
    log:
        "results/{study}/{species}/logs/overall_fst.log",
    benchmark:
        "results/{study}/{species}/benchmarks/overall_fst.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("overall_fst"),
        runtime=minutes("overall_fst"),
    script:
        "../../scripts/steps/overall_fst.py"


rule clusters_within_units:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        library=library("clusters_within_units"),
    output:
        table="results/{study}/{species}/structure/clusters_within_units.csv",
    log:
        "results/{study}/{species}/logs/clusters_within_units.log",
    benchmark:
        "results/{study}/{species}/benchmarks/clusters_within_units.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("clusters_within_units"),
        runtime=minutes("clusters_within_units"),
    params:
        max_clusters=SETTINGS["structure"]["max_clusters"],
        seed=SETTINGS["study"]["seed"],
        species=lambda wildcards: wildcards.species,
    script:
        "../../scripts/steps/clusters_within_units.py"


rule odd_kinships:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        breaks="results/{study}/{species}/structure/breaks.csv",
        units="results/{study}/{species}/units/units.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("odd_kinships"),
    output:
        table="results/{study}/{species}/units/odd_kinships.csv",
    log:
        "results/{study}/{species}/logs/odd_kinships.log",
    benchmark:
        "results/{study}/{species}/benchmarks/odd_kinships.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("odd_kinships"),
        runtime=minutes("odd_kinships"),
    script:
        "../../scripts/steps/odd_kinships.py"


rule clines:
    input:
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("clines"),
    output:
        clines="results/{study}/{species}/structure/clines.csv",
        cline_sites="results/{study}/{species}/structure/cline_sites.csv",
    log:
        "results/{study}/{species}/logs/clines.log",
    benchmark:
        "results/{study}/{species}/benchmarks/clines.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("clines"),
        runtime=minutes("clines"),
    script:
        "../../scripts/steps/clines.py"
