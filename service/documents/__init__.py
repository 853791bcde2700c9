"""What a client signs: two pages of paper, set by the server without network or system fonts."""
