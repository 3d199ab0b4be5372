"""Closed forms and tables that judge the solvers."""
