"""What can be measured and derived: channels, units, refrigerant, air, screening, events, windows.

Takes and gives Polars frames and NumPy arrays. Does not belong here: files, the
database, comparisons between cars (that is `models`), presentation.
"""
