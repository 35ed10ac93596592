"""What is normal for a model and what is not: baselines, findings, vehicle states.

Takes the per-test features and the registry, gives residuals, assessments and
states. Does not belong here: samples, files, the database, presentation.
"""
