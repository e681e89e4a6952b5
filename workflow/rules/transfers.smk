rule transfers:
    input:
        transfers=of_study("inputs/transfers.csv"),
        sites=of_study("inputs/sites.csv"),
        units=of_species("units/units.csv"),
        units_summary=of_species("units/summary.json"),
        pairwise_fst=of_species("structure/pairwise_fst.csv"),
        sea_distance=of_study("inputs/sea_distance.csv"),
        site_rates=of_species("assignment/site_rates.csv"),
        library=library("transfers"),
    output:
        flows=of_species("transfers/flows.csv"),
        ranking=of_species("transfers/source_ranking.csv"),
    log:
        log_of("transfers"),
    benchmark:
        benchmark_of("transfers")
    threads: 1
    resources:
        **needs("transfers"),
    params:
        high_rate=SETTINGS["transfers_advice"]["high_rate"],
    script:
        "../../scripts/steps/transfers.py"
