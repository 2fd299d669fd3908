"""Values and arithmetic that every other folder stands on; imports nothing else of the package."""
