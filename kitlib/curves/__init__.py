"""A curve's performance, its audit and the advice for next season."""
