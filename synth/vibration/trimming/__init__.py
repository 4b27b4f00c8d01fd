"""Trim nuts: where one or two of them bring overtones into wished ratios to the fundamental."""
