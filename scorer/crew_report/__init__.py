"""Crew figures as files: plain tables, a workbook, and a report to read and print."""
