"""The store: one SQLite file with runs, readings, results and jobs."""
