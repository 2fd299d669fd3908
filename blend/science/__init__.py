"""The job, in rooms, one module a step or its tool: arrays in, arrays out; no files, no printing, no Master."""
