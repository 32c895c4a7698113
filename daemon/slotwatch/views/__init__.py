"""Pure presentation of a snapshot: API values, metrics, words, reports."""
