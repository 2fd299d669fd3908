"""The steps of a run, one module each: take the state of the work, return it changed.

Nothing here computes with pixels; that is `blend.science`. A step unwraps masters, calls science, wraps the results and
says what the record and the report should know.
"""
