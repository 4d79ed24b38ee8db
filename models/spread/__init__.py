"""What is normal: each group of like things, its usual pattern and spread, and how odd a capture is."""
