rule class_power:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        markers="results/{study}/{species}/intake/markers.parquet",
        panel="results/{study}/{species}/panel/panel.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        panel_summary="results/{study}/{species}/panel/summary.json",
        units_summary="results/{study}/{species}/units/summary.json",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        recombination_map=lambda wildcards: recombination_map(wildcards.species),
        library=library("class_power"),
    output:
        class_power="results/{study}/{species}/assignment/class_power.csv",
        cutoffs="results/{study}/{species}/assignment/cutoffs.json",
    log:
        "results/{study}/{species}/logs/class_power.log",
    benchmark:
        "results/{study}/{species}/benchmarks/class_power.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("class_power"),
        runtime=minutes("class_power"),
    params:
        settings=SETTINGS["assignment"],
        cm_per_chromosome=lambda wildcards: cm_per_chromosome(wildcards.species),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/class_power.py"


rule assign:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        panel="results/{study}/{species}/panel/panel.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        panel_summary="results/{study}/{species}/panel/summary.json",
        units_summary="results/{study}/{species}/units/summary.json",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        cutoffs="results/{study}/{species}/assignment/cutoffs.json",
        library=library("assign"),
    output:
        calls="results/{study}/{species}/assignment/calls.csv",
        origin_classes="results/{study}/{species}/assignment/origin_classes.csv",
        summary="results/{study}/{species}/assignment/summary.json",
    log:
        "results/{study}/{species}/logs/assign.log",
    benchmark:
        "results/{study}/{species}/benchmarks/assign.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("assign"),
        runtime=minutes("assign"),
    params:
        settings=SETTINGS["assignment"],
    script:
        "../../scripts/steps/assign.py"


rule site_rates:
    input:
        calls="results/{study}/{species}/assignment/calls.csv",
        origin_classes="results/{study}/{species}/assignment/origin_classes.csv",
        class_power="results/{study}/{species}/assignment/class_power.csv",
        samples="results/{study}/inputs/samples.csv",
        units="results/{study}/{species}/units/units.csv",
        sites="results/{study}/inputs/sites.csv",
        units_summary="results/{study}/{species}/units/summary.json",
        library=library("site_rates"),
    output:
        site_rates="results/{study}/{species}/assignment/site_rates.csv",
        site_year_rates="results/{study}/{species}/assignment/site_year_rates.csv",
        unit_rates="results/{study}/{species}/assignment/unit_rates.csv",
    log:
        "results/{study}/{species}/logs/site_rates.log",
    benchmark:
        "results/{study}/{species}/benchmarks/site_rates.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("site_rates"),
        runtime=minutes("site_rates"),
    params:
        false_flag_rate=SETTINGS["assignment"]["false_flag_rate"],
    script:
        "../../scripts/steps/site_rates.py"


rule natural_contact:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        cline_sites="results/{study}/{species}/structure/cline_sites.csv",
        library=library("natural_contact"),
    output:
        table="results/{study}/{species}/assignment/natural_contact.csv",
    log:
        "results/{study}/{species}/logs/natural_contact.log",
    benchmark:
        "results/{study}/{species}/benchmarks/natural_contact.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("natural_contact"),
        runtime=minutes("natural_contact"),
    script:
        "../../scripts/steps/natural_contact.py"


rule mixing_dates:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        samples="results/{study}/{species}/intake/samples.csv",
        markers="results/{study}/{species}/intake/markers.parquet",
        units="results/{study}/{species}/units/units.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        cline_sites="results/{study}/{species}/structure/cline_sites.csv",
        calls="results/{study}/{species}/assignment/calls.csv",
        origin_classes="results/{study}/{species}/assignment/origin_classes.csv",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        recombination_map=lambda wildcards: recombination_map(wildcards.species),
        library=library("mixing_dates"),
    output:
        table="results/{study}/{species}/assignment/mixing_dates.csv",
    log:
        "results/{study}/{species}/logs/mixing_dates.log",
    benchmark:
        "results/{study}/{species}/benchmarks/mixing_dates.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("mixing_dates"),
        runtime=minutes("mixing_dates"),
    params:
        cm_per_chromosome=lambda wildcards: cm_per_chromosome(wildcards.species),
        generation_years=lambda wildcards: OF_SPECIES[wildcards.species]["generation_years"],
        recent_generations=SETTINGS["assignment"]["recent_generations"],
    script:
        "../../scripts/steps/mixing_dates.py"


rule mixture_shares:
    input:
        genotypes="results/{study}/{species}/intake/genotypes.zarr",
        panel="results/{study}/{species}/panel/panel.csv",
        reference_animals="results/{study}/{species}/panel/reference_animals.csv",
        panel_summary="results/{study}/{species}/panel/summary.json",
        units_summary="results/{study}/{species}/units/summary.json",
        genotyping_error="results/{study}/{species}/intake/genotyping_error.json",
        calls="results/{study}/{species}/assignment/calls.csv",
        samples="results/{study}/inputs/samples.csv",
        sites="results/{study}/inputs/sites.csv",
        library=library("mixture_shares"),
    output:
        shares="results/{study}/{species}/assignment/mixture_shares.csv",
    log:
        "results/{study}/{species}/logs/mixture_shares.log",
    benchmark:
        "results/{study}/{species}/benchmarks/mixture_shares.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("mixture_shares"),
        runtime=minutes("mixture_shares"),
    params:
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/mixture_shares.py"
