"""What people open: summaries, charts, HTML.

Takes frames from `models` and `features`, gives files of a static site. Does not
belong here: any computation of a number that is not a count or a layout.
"""
