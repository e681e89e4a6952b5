rule diversity:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        samples=of_species("intake/samples.csv"),
        library=library("diversity"),
    output:
        table=of_species("structure/site_diversity.csv"),
    log:
        log_of("diversity"),
    benchmark:
        benchmark_of("diversity")
    threads: 1
    resources:
        **needs("diversity"),
    params:
        min_individuals=SETTINGS["structure"]["min_individuals"],
    script:
        "../../scripts/steps/diversity.py"


rule pairwise_fst:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        samples=of_species("intake/samples.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        library=library("pairwise_fst"),
    output:
        table=of_species("structure/pairwise_fst.csv"),
    log:
        log_of("pairwise_fst"),
    benchmark:
        benchmark_of("pairwise_fst")
    threads: 1
    resources:
        **needs("pairwise_fst"),
    params:
        permutations=SETTINGS["structure"]["permutations"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/pairwise_fst.py"


rule linkage_decay:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        recombination_map=species_file("recombination", "map"),
        library=library("linkage_decay"),
    output:
        decay=of_species("structure/linkage_decay.csv"),
        reach=of_species("structure/linkage_reach.csv"),
    log:
        log_of("linkage_decay"),
    benchmark:
        benchmark_of("linkage_decay")
    threads: 1
    resources:
        **needs("linkage_decay"),
    params:
        thinning_distance_kb=SETTINGS["markers"]["thinning_distance_kb"],
        thinning_distance_cm=SETTINGS["markers"]["thinning_distance_cm"],
    script:
        "../../scripts/steps/linkage_decay.py"


rule pca:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        library=library("pca"),
    output:
        table=of_species("structure/pca.csv"),
        axes=of_species("structure/pca_axes.csv"),
    log:
        log_of("pca"),
    benchmark:
        benchmark_of("pca")
    threads: 1
    resources:
        **needs("pca"),
    params:
        n_axes=SETTINGS["structure"]["n_axes"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/pca.py"


rule ancestry:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        library=library("ancestry"),
    output:
        ancestry=of_species("structure/ancestry.csv"),
        group_number=of_species("structure/group_number.csv"),
    log:
        log_of("ancestry"),
    benchmark:
        benchmark_of("ancestry")
    threads: 1
    resources:
        **needs("ancestry"),
    params:
        max_groups=SETTINGS["structure"]["max_groups"],
        n_starts=SETTINGS["structure"]["n_starts"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/ancestry.py"


rule groups_within_units:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        units=of_species("units/units.csv"),
        library=library("groups_within_units"),
    output:
        table=of_species("structure/groups_within_units.csv"),
    log:
        log_of("groups_within_units"),
    benchmark:
        benchmark_of("groups_within_units")
    threads: 1
    resources:
        **needs("groups_within_units"),
    params:
        max_groups=SETTINGS["structure"]["max_groups"],
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/groups_within_units.py"


rule genome_blocks:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        site_counts=of_species("intake/site_counts.zarr"),
        markers=of_species("intake/markers.parquet"),
        samples=of_species("intake/samples.csv"),
        recombination_map=species_file("recombination", "map"),
        library=library("genome_blocks"),
    output:
        windows=of_species("structure/genome_windows.csv"),
        blocks=of_species("structure/genome_blocks.csv"),
        block_animals=of_species("structure/block_animals.csv"),
        block_sites=of_species("structure/block_sites.csv"),
    log:
        log_of("genome_blocks"),
    benchmark:
        benchmark_of("genome_blocks")
    threads: 1
    resources:
        **needs("genome_blocks"),
    params:
        cm_per_chromosome=species_setting("recombination", "cm_per_chromosome"),
        settings=SETTINGS["structure"],
    script:
        "../../scripts/steps/genome_blocks.py"


rule site_years:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        sample_sheet=of_study("inputs/samples.csv"),
        library=library("site_years"),
    output:
        table=of_species("structure/site_years.csv"),
    log:
        log_of("site_years"),
    benchmark:
        benchmark_of("site_years")
    threads: 1
    resources:
        **needs("site_years"),
    params:
        permutations=SETTINGS["structure"]["permutations"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        generation_years=species_setting("generation_years"),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/site_years.py"


rule frequency_spectrum:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        units=of_species("units/units.csv"),
        library=library("frequency_spectrum"),
    output:
        table=of_species("structure/frequency_spectrum.csv"),
    log:
        log_of("frequency_spectrum"),
    benchmark:
        benchmark_of("frequency_spectrum")
    threads: 1
    resources:
        **needs("frequency_spectrum"),
    params:
        min_individuals=SETTINGS["structure"]["min_individuals"],
    script:
        "../../scripts/steps/frequency_spectrum.py"
