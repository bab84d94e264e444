"""Pure formulas on arrays."""
