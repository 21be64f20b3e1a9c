package sqlite

// Mark gives what SetMark set; "" when nothing was.
func (s *snapshot) Mark(clinic, name string) (string, error) {
	if err := s.enter("mark"); err != nil {
		return "", err
	}
	var value string
	_, err := s.byKey("mark", `SELECT value FROM mark WHERE clinic = ? AND name = ?`, []any{clinic, name}, &value)
	return value, err
}

// SetMark keeps a value under a name, in place of the one before.
func (t *txn) SetMark(clinic, name, value string) error {
	if err := t.enter("set-mark"); err != nil {
		return err
	}
	_, err := t.exec("set-mark", `INSERT INTO mark (clinic, name, value) VALUES (`+marks(3)+`)
		ON CONFLICT (clinic, name) DO UPDATE SET value = excluded.value`, clinic, name, value)
	return err
}
