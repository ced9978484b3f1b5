"""Two coats predicted from one."""
