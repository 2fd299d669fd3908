"""One target from files to files, trying, many targets, and the command line."""
