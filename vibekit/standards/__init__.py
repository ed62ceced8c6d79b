"""Numbers printed in standards: one small table per clause, each with clause and status."""
