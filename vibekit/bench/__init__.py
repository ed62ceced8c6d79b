"""Many tools: sheets, ranking, logbook, teardown, report, plots."""
