rule report:
    input:
        **{name: of_each_species(path) for name, path in REPORT_FILES.items()},
        check=of_study("inputs/check.json"),
        sample_sheet=of_study("inputs/samples.csv"),
        sites=of_study("inputs/sites.csv"),
        transfers=of_study("inputs/transfers.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        site_positions=of_study("inputs/site_positions.csv"),
        coastline=coastline(),
        template=str(ROOT / "workflow/templates/report.html.j2"),
        style=str(ROOT / "workflow/templates/style.css"),
        catalogue=str(ROOT / f"workflow/templates/catalogue/{SETTINGS['report']['language']}.yaml"),
        library=library("report"),
    output:
        html=report_file("html"),
        pdf=report_file("pdf"),
    log:
        log_of("report", of_study),
    benchmark:
        benchmark_of("report", of_study)
    threads: 1
    resources:
        **needs("report"),
    params:
        study=SETTINGS,
    script:
        "../../scripts/steps/report.py"


rule manifest:
    input:
        outputs=outputs(),
        library=library("manifest"),
    output:
        manifest=of_study("manifest.json"),
    log:
        log_of("manifest", of_study),
    benchmark:
        benchmark_of("manifest", of_study)
    threads: 1
    resources:
        **needs("manifest"),
    params:
        study=SETTINGS,
        study_file=study_file_name(),
    script:
        "../../scripts/steps/manifest.py"
