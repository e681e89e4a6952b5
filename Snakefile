# homewater: from raw genotypes to a report. Rules declare, steps connect, the library computes.
# scripts/run is the way in; DEVELOPERS.md shows the flow of data and how to add a rule.
if not config:

    configfile: "config/demo.yaml"


include: "workflow/rules/common.smk"
include: "workflow/rules/intake.smk"
include: "workflow/rules/filters.smk"
include: "workflow/rules/structure.smk"
include: "workflow/rules/units.smk"
include: "workflow/rules/panel.smk"
include: "workflow/rules/assignment.smk"
include: "workflow/rules/transfers.smk"
include: "workflow/rules/report.smk"


rule all:
    default_target: True
    input:
        report=expand(report_file("pdf"), study=STUDY),
        page=expand(report_file("html"), study=STUDY),
        manifest=expand(of_study("manifest.json"), study=STUDY),
