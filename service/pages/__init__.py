"""The pages people look at: one module per page, templates without computation."""
