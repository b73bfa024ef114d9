"""The day's surveyed takes: their log, table, charts and printed reports.

Hides the database and the pages' templates.
"""
