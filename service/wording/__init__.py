"""Numbers, dates, verdicts and remarks as people read them; no markup and no computation."""
