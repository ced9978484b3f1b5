"""What one ink over another looks like."""
