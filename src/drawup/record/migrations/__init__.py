"""The steps by which a record of an earlier form becomes one of today's, each in one transaction."""
