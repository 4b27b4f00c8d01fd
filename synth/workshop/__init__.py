"""What leaves the computer for the bench: trimming, strength, tolerance, cut list, template."""
