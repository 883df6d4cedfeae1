"""The figures of the daemon for Prometheus, and what goes with them: alert rules, a scrape, a dashboard."""
