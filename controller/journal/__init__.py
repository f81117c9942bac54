"""The record: rows, the thread that writes them, the file, its reader, its text.

May import: rules.
"""
