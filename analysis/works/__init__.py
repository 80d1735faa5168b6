"""Whether what is made will close: from what is known of each stop to the gaps that are seen."""
