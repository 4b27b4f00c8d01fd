"""The playable page: one HTML file that holds an instrument and computes its sound in a browser."""
