"""What the owner keeps on disk: car, revisions, sessions."""
