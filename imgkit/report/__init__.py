"""Renderers of results: text for the terminal, JSON, and the page. They know results and nothing else."""
