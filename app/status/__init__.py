"""The customers' site: its own application over the pages file, and nothing else."""
