"""A design served to a browser on this machine: watched, edited, heard, compared."""
