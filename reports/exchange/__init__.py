"""Bulk in and out: a folder of CSV files, as docs/exchange.md says."""
