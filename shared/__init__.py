"""The words every room speaks: venue model, tables, conditions, weeks, limits, errors."""
