"""Charts of crew figures and plans: built from tables, the same on paper and on the pages.

A chart only draws: every figure in it, each interval too, comes from the table that is handed in. Nothing is told by
colour alone, and a share is never drawn without its interval.
"""
