"""Trust rules: what of a log can be believed, one module per question.

`features.screening` is the entry; the modules here hold its rules, one function each.
"""
