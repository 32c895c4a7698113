"""The front process: page, API, events, metrics, history and alerts."""
