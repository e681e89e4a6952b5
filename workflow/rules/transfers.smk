rule transfers:
    input:
        transfers="results/{study}/inputs/transfers.csv",
        sites="results/{study}/inputs/sites.csv",
        units="results/{study}/{species}/units/units.csv",
        units_summary="results/{study}/{species}/units/summary.json",
        pairwise_fst="results/{study}/{species}/structure/pairwise_fst.csv",
        sea_distance="results/{study}/inputs/sea_distance.csv",
        site_rates="results/{study}/{species}/assignment/site_rates.csv",
        library=library("transfers"),
    output:
        flows="results/{study}/{species}/transfers/flows.csv",
        ranking="results/{study}/{species}/transfers/source_ranking.csv",
    log:
        "results/{study}/{species}/logs/transfers.log",
    benchmark:
        "results/{study}/{species}/benchmarks/transfers.tsv"
    threads: 1
    resources:
        mem_mb=memory_mb("transfers"),
        runtime=minutes("transfers"),
    params:
        high_rate=SETTINGS["transfers_advice"]["high_rate"],
    script:
        "../../scripts/steps/transfers.py"
