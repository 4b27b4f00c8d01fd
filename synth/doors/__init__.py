"""Where people come in: thin rooms that parse, call and print."""
