"""What is handed over: the report, the list of repairs, the as-built plan, the record."""
