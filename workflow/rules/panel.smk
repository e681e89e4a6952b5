rule panel:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        units=of_species("units/units.csv"),
        units_summary=of_species("units/summary.json"),
        genotyping_error=of_species("intake/genotyping_error.json"),
        recombination_map=species_file("recombination", "map"),
        library=library("panel"),
    output:
        panel=of_species("panel/panel.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        summary=of_species("panel/summary.json"),
    log:
        log_of("panel"),
    benchmark:
        benchmark_of("panel")
    threads: 1
    resources:
        **needs("panel"),
    params:
        settings=SETTINGS["panel"],
        assignment=SETTINGS["assignment"],
        cm_per_chromosome=species_setting("recombination", "cm_per_chromosome"),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/panel.py"


rule panel_order:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        panel=of_species("panel/panel.csv"),
        panel_summary=of_species("panel/summary.json"),
        reference=species_file("reference"),
        library=library("panel_order"),
    output:
        vcf=of_species("panel/panel.vcf"),
        flanks=of_species("panel/panel_flanks.fasta"),
        summary=of_species("panel/order.json"),
    log:
        log_of("panel_order"),
    benchmark:
        benchmark_of("panel_order")
    threads: 1
    resources:
        **needs("panel_order"),
    params:
        flank_bases=SETTINGS["panel"]["flank_bases"],
        min_clear_bases=SETTINGS["panel"]["min_clear_bases"],
        reference_name=by_species(reference_name),
    script:
        "../../scripts/steps/panel_order.py"


rule panel_validation:
    input:
        genotypes=of_species("intake/genotypes.zarr"),
        samples=of_species("intake/samples.csv"),
        markers=of_species("intake/markers.parquet"),
        blocks=of_species("structure/genome_blocks.csv"),
        panel=of_species("panel/panel.csv"),
        reference_animals=of_species("panel/reference_animals.csv"),
        panel_summary=of_species("panel/summary.json"),
        units_summary=of_species("units/summary.json"),
        genotyping_error=of_species("intake/genotyping_error.json"),
        recombination_map=species_file("recombination", "map"),
        library=library("panel_validation"),
    output:
        size_curve_table=of_species("panel/size_curve.csv"),
        confusion=of_species("panel/confusion.csv"),
        controls=of_species("panel/controls.csv"),
        calibration=of_species("panel/calibration.csv"),
        summary=of_species("panel/validation.json"),
    log:
        log_of("panel_validation"),
    benchmark:
        benchmark_of("panel_validation")
    threads: 1
    resources:
        **needs("panel_validation"),
    params:
        settings=SETTINGS["panel"],
        assignment=SETTINGS["assignment"],
        cm_per_chromosome=species_setting("recombination", "cm_per_chromosome"),
        seed=SETTINGS["study"]["seed"],
    script:
        "../../scripts/steps/panel_validation.py"
