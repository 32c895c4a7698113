"""Many houses: the files in config/campus, by Prometheus' and Alertmanager's own programs."""
