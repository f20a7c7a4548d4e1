"""One study per question that a user asks; each joins the stages below it."""
