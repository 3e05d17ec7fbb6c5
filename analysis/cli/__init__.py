"""The verbs that answer: parse, ask, print."""
