"""The shipped rule set: what every test and limit has to say, and what it does to patients."""
