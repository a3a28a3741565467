"""Tables in, tables out: what the logs say of locks, rails and controllers."""
