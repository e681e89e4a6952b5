rule report:
    input:
        **{name: of_each_species(path) for name, path in TABLES.items()},
        check=f"results/{STUDY}/inputs/check.json",
        samples=f"results/{STUDY}/inputs/samples.csv",
        sites=f"results/{STUDY}/inputs/sites.csv",
        transfers=f"results/{STUDY}/inputs/transfers.csv",
        sea_distance=f"results/{STUDY}/inputs/sea_distance.csv",
        site_positions=f"results/{STUDY}/inputs/site_positions.csv",
        coastline=coastline(),
        template=str(ROOT / "workflow/templates/report.html.j2"),
        style=str(ROOT / "workflow/templates/style.css"),
        catalogue=str(ROOT / f"workflow/templates/catalogue/{SETTINGS['report']['language']}.yaml"),
        library=library("report"),
    output:
        html="reports/{study}.html",
        pdf="reports/{study}.pdf",
    log:
        "results/{study}/logs/report.log",
    benchmark:
        "results/{study}/benchmarks/report.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("report"),
        runtime=minutes("report"),
    params:
        study=SETTINGS,
    script:
        "../../scripts/steps/report.py"


rule manifest:
    input:
        outputs=outputs(),
        library=library("manifest"),
    output:
        manifest="results/{study}/manifest.json",
    log:
        "results/{study}/logs/manifest.log",
    benchmark:
        "results/{study}/benchmarks/manifest.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("manifest"),
        runtime=minutes("manifest"),
    params:
        study=SETTINGS,
        study_file=study_file_name(),
    script:
        "../../scripts/steps/manifest.py"
