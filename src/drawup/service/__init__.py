"""The use cases that join the rooms: register, plan, record, correct, receive, trace."""
