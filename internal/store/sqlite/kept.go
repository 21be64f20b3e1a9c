package sqlite

import (
	"container/list"
	"context"
	"database/sql/driver"
	"errors"
)

// keptStatements is how many statements a connection keeps prepared. A save runs
// fewer than a hundred different ones; what hubs ask can have any number of forms.
const keptStatements = 128

// driverConn is what the driver's connections can do, but for running a query that
// is not prepared: so that database/sql prepares every one.
type driverConn interface {
	driver.Conn
	driver.ConnPrepareContext
	driver.ConnBeginTx
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

// keeping is a connection that keeps statements prepared when they are closed, the
// last used of them: to prepare one takes several times as long as to run it. A
// statement is with one user at a time; who asks for the same query meanwhile gets
// one of his own.
type keeping struct {
	driverConn
	idle   map[string]*list.Element // of order, by query
	order  list.List                // of *keptStatement, the last used first
	closed bool
}

func newKeeping(c driverConn) *keeping {
	return &keeping{driverConn: c, idle: map[string]*list.Element{}}
}

// driverStatement is what the driver's statements can do.
type driverStatement interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

// keptStatement goes back to its connection when it is closed.
type keptStatement struct {
	driverStatement
	query string
	conn  *keeping
}

var errDriver = errors.New("sqlite driver lacks what the store needs")

// PrepareContext is part of driver.ConnPrepareContext.
func (k *keeping) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	if e := k.idle[query]; e != nil {
		return k.take(e), nil
	}
	s, err := k.driverConn.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	ds, ok := s.(driverStatement)
	if !ok {
		return nil, errors.Join(errDriver, s.Close())
	}
	return &keptStatement{ds, query, k}, nil
}

func (k *keeping) take(e *list.Element) *keptStatement {
	s := k.order.Remove(e).(*keptStatement)
	delete(k.idle, s.query)
	return s
}

// Close keeps the statement, in place of the one that was not used for longest.
func (s *keptStatement) Close() error {
	k := s.conn
	if k.closed || k.idle[s.query] != nil {
		return s.driverStatement.Close()
	}
	k.idle[s.query] = k.order.PushFront(s)
	if k.order.Len() <= keptStatements {
		return nil
	}
	return k.take(k.order.Back()).driverStatement.Close()
}

// Close closes what is kept, and the connection.
func (k *keeping) Close() error {
	k.closed = true
	var errs []error
	for k.order.Len() > 0 {
		errs = append(errs, k.take(k.order.Front()).driverStatement.Close())
	}
	return errors.Join(append(errs, k.driverConn.Close())...)
}
