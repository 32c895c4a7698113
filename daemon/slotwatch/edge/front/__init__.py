"""The front process: page, API, events, metrics, history, and what alerts leave by."""
