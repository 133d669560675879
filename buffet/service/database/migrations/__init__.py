"""The catalogue's tables, step by step from nothing to `tables.METADATA`.

One module a step in `versions/`, each naming the step before it. A step that was ever released is
never changed: another follows it.
"""
