rule breaks:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("breaks"),
    output:
        table=of_species("structure/breaks.csv"),
        site_drift=of_species("structure/site_drift.csv"),
    log:
        log_of("breaks"),
    benchmark:
        benchmark_of("breaks")
    threads: 1
    resources:
        **needs("breaks"),
    params:
        settings=SETTINGS["units"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
    script:
        "../../scripts/steps/breaks.py"


rule line_support:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("line_support"),
    output:
        table=of_species("structure/line_support.csv"),
    log:
        log_of("line_support"),
    benchmark:
        benchmark_of("line_support")
    threads: 1
    resources:
        **needs("line_support"),
    params:
        settings=SETTINGS["units"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/line_support.py"


rule detection_curve:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("detection_curve"),
    output:
        table=of_species("units/detection_curve.csv"),
    log:
        log_of("detection_curve"),
    benchmark:
        benchmark_of("detection_curve")
    threads: 1
    resources:
        **needs("detection_curve"),
    params:
        settings=SETTINGS["units"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/detection_curve.py"


rule units:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        breaks=of_species("structure/breaks.csv"),
        site_drift=of_species("structure/site_drift.csv"),
        pairwise_fst=of_species("structure/pairwise_fst.csv"),
        pca_axes=of_species("structure/pca_axes.csv"),
        detection_curve=of_species("units/detection_curve.csv"),
        sites=of_study("inputs/sites.csv"),
        site_roles=of_species("intake/site_roles.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("units"),
    output:
        units=of_species("units/units.csv"),
        summary=of_species("units/summary.json"),
    log:
        log_of("units"),
    benchmark:
        benchmark_of("units")
    threads: 1
    resources:
        **needs("units"),
    params:
        settings=SETTINGS["units"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/units.py"


rule isolation_by_distance:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        units=of_species("units/units.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("isolation_by_distance"),
    output:
        table=of_species("structure/isolation_by_distance.csv"),
    log:
        log_of("isolation_by_distance"),
    benchmark:
        benchmark_of("isolation_by_distance")
    threads: 1
    resources:
        **needs("isolation_by_distance"),
    params:
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/isolation_by_distance.py"


rule variance_shares:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        units=of_species("units/units.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("variance_shares"),
    output:
        table=of_species("structure/variance_shares.csv"),
    log:
        log_of("variance_shares"),
    benchmark:
        benchmark_of("variance_shares")
    threads: 1
    resources:
        **needs("variance_shares"),
    script:
        "../../scripts/steps/variance_shares.py"


rule overall_fst:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        units=of_species("units/units.csv"),
        library=library("overall_fst"),
    output:
        table=of_species("structure/overall_fst.csv"),
    log:
        log_of("overall_fst"),
    benchmark:
        benchmark_of("overall_fst")
    threads: 1
    resources:
        **needs("overall_fst"),
    script:
        "../../scripts/steps/overall_fst.py"


rule odd_kinships:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        units=of_species("units/units.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("odd_kinships"),
    output:
        table=of_species("units/odd_kinships.csv"),
    log:
        log_of("odd_kinships"),
    benchmark:
        benchmark_of("odd_kinships")
    threads: 1
    resources:
        **needs("odd_kinships"),
    script:
        "../../scripts/steps/odd_kinships.py"


rule clines:
    input:
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        breaks=of_species("structure/breaks.csv"),
        units=of_species("units/units.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("clines"),
    output:
        clines=of_species("structure/clines.csv"),
        cline_sites=of_species("structure/cline_sites.csv"),
    log:
        log_of("clines"),
    benchmark:
        benchmark_of("clines")
    threads: 1
    resources:
        **needs("clines"),
    script:
        "../../scripts/steps/clines.py"
