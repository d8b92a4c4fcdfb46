"""Health: rules over metrics, findings with evidence, scores. Start at engine.judge()."""
