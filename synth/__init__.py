"""Tinewright: hear a stick-stroked steel-tine instrument before the steel is cut."""
