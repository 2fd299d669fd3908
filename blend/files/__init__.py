"""The only place that touches the disk."""
