"""The figures of the page: the only place that draws. Made without pyplot, given out as inline SVG."""
