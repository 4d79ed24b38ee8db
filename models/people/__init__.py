"""How people do, for coaching: shares with their n and interval, trends, and who to sit down with."""
