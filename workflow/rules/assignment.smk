rule class_power:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        markers=of_species("intake/markers.parquet"),
        panel=of_species("panel/panel.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        panel_summary=of_species("panel/summary.json"),
        units_summary=of_species("units/summary.json"),
        genotyping_error=of_species("intake/genotyping_error.json"),
        recombination_map=species_file("recombination", "map"),
        library=library("class_power"),
    output:
        class_power=of_species("assignment/class_power.csv"),
        cutoffs=of_species("assignment/cutoffs.json"),
    log:
        log_of("class_power"),
    benchmark:
        benchmark_of("class_power")
    threads: 1
    resources:
        **needs("class_power"),
    params:
        settings=SETTINGS["assignment"],
        cm_per_chromosome=species_setting("recombination", "cm_per_chromosome"),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/class_power.py"


rule assign:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        units=of_species("units/units.csv"),
        panel=of_species("panel/panel.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        panel_summary=of_species("panel/summary.json"),
        units_summary=of_species("units/summary.json"),
        genotyping_error=of_species("intake/genotyping_error.json"),
        cutoffs=of_species("assignment/cutoffs.json"),
        library=library("assign"),
    output:
        calls=of_species("assignment/calls.csv"),
        origin_classes=of_species("assignment/origin_classes.csv"),
        summary=of_species("assignment/summary.json"),
    log:
        log_of("assign"),
    benchmark:
        benchmark_of("assign")
    threads: 1
    resources:
        **needs("assign"),
    params:
        settings=SETTINGS["assignment"],
    script:
        "../../scripts/steps/assign.py"


rule site_rates:
    input:
        calls=of_species("assignment/calls.csv"),
        origin_classes=of_species("assignment/origin_classes.csv"),
        class_power=of_species("assignment/class_power.csv"),
        sample_sheet=of_study("inputs/samples.csv"),
        units=of_species("units/units.csv"),
        sites=of_study("inputs/sites.csv"),
        units_summary=of_species("units/summary.json"),
        library=library("site_rates"),
    output:
        site_rates=of_species("assignment/site_rates.csv"),
        site_year_rates=of_species("assignment/site_year_rates.csv"),
        unit_rates=of_species("assignment/unit_rates.csv"),
    log:
        log_of("site_rates"),
    benchmark:
        benchmark_of("site_rates")
    threads: 1
    resources:
        **needs("site_rates"),
    params:
        false_flag_rate=SETTINGS["assignment"]["false_flag_rate"],
    script:
        "../../scripts/steps/site_rates.py"


rule natural_contact:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        units=of_species("units/units.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        cline_sites=of_species("structure/cline_sites.csv"),
        library=library("natural_contact"),
    output:
        table=of_species("assignment/natural_contact.csv"),
    log:
        log_of("natural_contact"),
    benchmark:
        benchmark_of("natural_contact")
    threads: 1
    resources:
        **needs("natural_contact"),
    script:
        "../../scripts/steps/natural_contact.py"


rule mixing_dates:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        units=of_species("units/units.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        cline_sites=of_species("structure/cline_sites.csv"),
        calls=of_species("assignment/calls.csv"),
        origin_classes=of_species("assignment/origin_classes.csv"),
        genotyping_error=of_species("intake/genotyping_error.json"),
        recombination_map=species_file("recombination", "map"),
        library=library("mixing_dates"),
    output:
        table=of_species("assignment/mixing_dates.csv"),
    log:
        log_of("mixing_dates"),
    benchmark:
        benchmark_of("mixing_dates")
    threads: 1
    resources:
        **needs("mixing_dates"),
    params:
        cm_per_chromosome=species_setting("recombination", "cm_per_chromosome"),
        generation_years=species_setting("generation_years"),
        recent_generations=SETTINGS["assignment"]["recent_generations"],
    script:
        "../../scripts/steps/mixing_dates.py"


rule mixture_shares:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        panel=of_species("panel/panel.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        panel_summary=of_species("panel/summary.json"),
        units_summary=of_species("units/summary.json"),
        genotyping_error=of_species("intake/genotyping_error.json"),
        calls=of_species("assignment/calls.csv"),
        sample_sheet=of_study("inputs/samples.csv"),
        sites=of_study("inputs/sites.csv"),
        library=library("mixture_shares"),
    output:
        shares=of_species("assignment/mixture_shares.csv"),
    log:
        log_of("mixture_shares"),
    benchmark:
        benchmark_of("mixture_shares")
    threads: 1
    resources:
        **needs("mixture_shares"),
    params:
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/mixture_shares.py"
