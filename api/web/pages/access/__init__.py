"""The door for those who are not let in yet, and the page of all who are."""
