"""What fails again and again: cohorts, exposure, first and repeat failures, forecasts.

Import from the modules.
"""
