"""Recipe text to values, and the order of the work; the only place that unwraps and wraps a Master."""
