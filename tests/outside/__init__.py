"""Checks of the shipped rules against papers, tables, data sets and libraries."""
