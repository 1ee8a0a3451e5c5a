"""Attended capture: a person changes the level by hand, the bench recognises and keeps what it sees."""
