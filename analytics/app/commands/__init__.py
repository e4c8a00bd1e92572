"""The command line's commands, a module each.

A command has `arguments(parser)`, which adds its arguments, and `run(options, say)`, which does it and
returns the exit code. `say` prints one line; a command prints nothing itself, so that a test can listen.
"""
