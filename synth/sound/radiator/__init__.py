"""What radiates: the bar alone, a pickup, a board; each turns contact signals into sound."""
