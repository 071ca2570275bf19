"""Captures and traces to and from files. Imports numpy, the records of captures and readings, and nothing
else.

A file that cannot be used raises `service.errors.BadCaptureFile`, which says what is wrong and where.
"""
