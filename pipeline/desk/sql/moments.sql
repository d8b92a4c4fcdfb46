-- moments: what a vehicle's record can be aligned at, and where to look: windows of findings, then its newest sessions.
-- In:   $vehicle.  Out: words, start_t, end_t, kind (finding | session), rule, item, title.  Key: (kind, start_t, rule, item).
(SELECT f.title || CASE WHEN f.item = '' THEN '' ELSE ', ' || f.item END AS words, w.start_t, w.end_t, 'finding' AS kind, f.rule, f.item, f.title
 FROM findings_now f, unnest(f.windows) u(w) WHERE f.vehicle = $vehicle ORDER BY f.share DESC, f.rule, f.item LIMIT 200)
UNION ALL
(SELECT kind AS words, start_t, end_t, 'session' AS kind, '' AS rule, '' AS item, '' AS title
 FROM sessions WHERE vehicle = $vehicle ORDER BY start_t DESC LIMIT 300)
