SELECT engine_family, cylinders, firing_order, firing_intervals_deg, sync_kind FROM engine_family ORDER BY engine_family
