"""Figures as pure functions: results and tables in, plotly figures or SVG text out; no page, no file, no clock."""
