"""The door in, the store, the order of the steps, the command line.

The only folder that knows files, the database and the clock. Does not belong
here: physics, statistics, presentation.
"""
