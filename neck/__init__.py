"""lightgap.neck: gap profile to relief, bow shape, rod plan, strings and clearance. Knows no image."""
