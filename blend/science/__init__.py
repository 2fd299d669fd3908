"""The job, one module a step or its tool: arrays in, arrays out; no files, no printing, no Master."""
