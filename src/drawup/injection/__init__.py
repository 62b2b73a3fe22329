"""From order to plan: pure functions over frozen values, standard library only.

Nothing here reads a clock, a file, a database, an environment variable or a random number: the time, the tables,
the policy and the history come in as arguments.
"""
