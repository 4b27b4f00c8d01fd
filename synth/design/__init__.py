"""What the maker writes, the tables it draws on, and the complete instrument it resolves to."""
