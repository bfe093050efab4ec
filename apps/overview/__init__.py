"""Pages that read across apps and write nothing."""
