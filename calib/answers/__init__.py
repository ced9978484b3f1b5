"""Questions asked of measured tables, one room each; they see tables and nothing else."""
