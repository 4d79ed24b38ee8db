"""From which distance on something is called odd, and what that costs."""
