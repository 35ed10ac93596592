"""The physical plant of the simulator: a lumped vapour-compression circuit in a car.

Array functions over a batch of tests side by side, stepped in time together. It knows
nothing of fleets, shops, files or logger formats, and imports nothing of ours.
"""
