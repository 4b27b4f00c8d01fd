"""The Python interface: a design is opened, changed, asked and heard; arrays carry their units in their names."""
