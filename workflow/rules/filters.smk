rule filters:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        sample_sheet=of_study("inputs/samples.csv"),
        sites=of_study("inputs/sites.csv"),
        native_range=species_file("native_range"),
        recombination_map=species_file("recombination", "map"),
        library=library("filters"),
    output:
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        summary=of_species("intake/filter_summary.csv"),
        site_roles=of_species("intake/site_roles.csv"),
        site_counts=directory(of_species("intake/site_counts.zarr")),
        genotyping_error=of_species("intake/genotyping_error.json"),
        kin_thinning=of_species("intake/kin_thinning.csv"),
        batch_effects=of_species("intake/batch_effects.csv"),
    log:
        log_of("filters"),
    benchmark:
        benchmark_of("filters")
    threads: 1
    resources:
        **needs("filters"),
    params:
        settings=SETTINGS["markers"],
    script:
        "../../scripts/steps/filters.py"
