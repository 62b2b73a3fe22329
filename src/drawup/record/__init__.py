"""What happened, kept for good: one append-only store, its chain of hashes, its seal and its check.

Open ``drawup.record.store`` to use it. Nothing is imported here, so that the command line starts quickly.
"""
