"""One typed answer a verb: what terminal, JSON, report, desk and notebook show."""
