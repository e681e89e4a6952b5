"""What scripts/run does around Snakemake: one run a study at a time, short progress, clear endings, verification."""
