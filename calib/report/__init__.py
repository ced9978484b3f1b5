"""What people look at: measured tables as one page that opens from disk."""
