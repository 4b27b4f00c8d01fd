"""A stick that passes a row: force on the tips, from the stick in a hand to the trace."""
