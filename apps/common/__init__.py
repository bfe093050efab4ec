"""What every door shares: errors, paging, the REST envelope. No models."""
