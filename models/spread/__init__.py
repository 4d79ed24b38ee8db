"""What is normal: each stratum of like things, its usual pattern and spread, and how odd a capture is."""
