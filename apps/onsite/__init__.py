"""What is told from the site on the day."""
