"""How the steel vibrates: beams, tines, the bar, and all of them as one structure."""
