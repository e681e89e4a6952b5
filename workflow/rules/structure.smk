rule diversity:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        samples="results/{study}/{species}/intake/samples.csv",
        library=library("diversity"),
    output:
        table="results/{study}/{species}/structure/site_diversity.csv",
    log:
        "results/{study}/{species}/logs/diversity.log",
    benchmark:
        "results/{study}/{species}/benchmarks/diversity.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("diversity"),
        runtime=minutes("diversity"),
    params:
        min_individuals=SETTINGS["structure"]["min_individuals"],
    script:
        "../../scripts/steps/diversity.py"


rule pairwise_fst:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        site_counts="results/{study}/{species}/intake/site_counts.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        samples="results/{study}/{species}/intake/samples.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        library=library("pairwise_fst"),
    output:
        table="results/{study}/{species}/structure/pairwise_fst.csv",
    log:
        "results/{study}/{species}/logs/pairwise_fst.log",
    benchmark:
        "results/{study}/{species}/benchmarks/pairwise_fst.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("pairwise_fst"),
        runtime=minutes("pairwise_fst"),
    params:
        permutations=SETTINGS["structure"]["permutations"],
        min_individuals=SETTINGS["structure"]["min_individuals"],
        seed=SETTINGS["study"]["seed"],
        species=lambda wildcards: wildcards.species,
    script:
        "../../scripts/steps/pairwise_fst.py"


rule pca:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        library=library("pca"),
    output:
        table="results/{study}/{species}/structure/pca.csv",
        axes="results/{study}/{species}/structure/pca_axes.csv",
    log:
        "results/{study}/{species}/logs/pca.log",
    benchmark:
        "results/{study}/{species}/benchmarks/pca.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("pca"),
        runtime=minutes("pca"),
    params:
        n_axes=SETTINGS["structure"]["n_axes"],
        seed=SETTINGS["study"]["seed"],
        species="{species}",
    script:
        "../../scripts/steps/pca.py"


rule ancestry:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        library=library("ancestry"),
    output:
        ancestry="results/{study}/{species}/structure/ancestry.csv",
        cluster_number="results/{study}/{species}/structure/cluster_number.csv",
    log:
        "results/{study}/{species}/logs/ancestry.log",
    benchmark:
        "results/{study}/{species}/benchmarks/ancestry.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("ancestry"),
        runtime=minutes("ancestry"),
    params:
        max_clusters=SETTINGS["structure"]["max_clusters"],
        n_starts=SETTINGS["structure"]["n_starts"],
        seed=SETTINGS["study"]["seed"],
        species=lambda wildcards: wildcards.species,
    script:
        "../../scripts/steps/ancestry.py"
