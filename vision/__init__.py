"""Turn a photo of pool water beside a printed card into numbers; know nothing else."""
