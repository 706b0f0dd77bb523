"""Estimators on arrays and callables: intervals, unit yield, quantiles, sensitivity indices."""
