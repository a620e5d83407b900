"""lightgap.records: the bench book and its reports."""
