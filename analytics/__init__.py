"""Outcome analytics for hair-restoration practices: the regrowth workbook.

A page imports its questions from here: `from analytics import records, yields, regrowth, milestones, ...`.
Nothing is imported before it is asked for.
"""
