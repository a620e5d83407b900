"""lightgap.vision: a photo in, a gap profile out."""
