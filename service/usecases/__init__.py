"""One module per verb: what a user can have done. Called by the command, the API and the pages."""
