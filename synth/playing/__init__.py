"""How the instrument is played: strokes, the scores that hold them, and the contact of stick and tine."""
