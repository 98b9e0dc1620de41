"""The invented weather station of the demo: its disk, its volumes, what lies in its files."""
