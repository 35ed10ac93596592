"""A fleet of simulated vehicles that writes raw logs and registry files as a shop would.

Independent on purpose: it imports nothing of the rest and shares no formula, table
or constant with `features`, so that an error made there cannot cancel here.
"""
