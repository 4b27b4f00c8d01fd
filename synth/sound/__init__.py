"""How the vibration becomes audio: the modal bank, the radiators, levels and files."""
