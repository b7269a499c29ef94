package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Product is a file that the pipeline made of raw frames.
type Product struct {
	Identity
	Path   string
	SHA256 Hash // of the file
	Bytes  int64
	Made   time.Time     // zero: not known
	Took   time.Duration // to make it, or its share of what a batch took; 0: not known
	State  State
	Run    int64 // that made it; 0: not known
}

// Metric is one number about the quality of a product.
type Metric struct {
	Name  string
	Value float64 // may be NaN
}

// Outcome is what came of the work on one part of a frame: a product or a
// failure.
type Outcome struct {
	// Frame, if set, is recorded too, as by AddFrames.
	Frame *Frame
	// Product, if set, is recorded with its metrics. Where it is current it
	// takes the place of another of the same kind from the same part, and of
	// others at the same path.
	Product *Product
	Metrics []Metric
	// Kept is where the file of the version that the product takes the place
	// of was put, which is then superseded; empty: it is gone, and the version
	// is replaced.
	Kept string
	// Failure, if set, is recorded. A product that is made of the same part
	// later takes it away, and that of the file as a whole.
	Failure *Failure
}

// AddRecipe records a recipe and returns its hash.
func (l *Ledger) AddRecipe(ctx context.Context, r Recipe) (Hash, error) {
	h := r.Hash()
	err := l.change(ctx, "record a recipe", func(c *change) error { return c.addRecipe(ctx, r) })
	return h, err
}

func (c *change) addRecipe(ctx context.Context, r Recipe) error {
	if err := needHash("the profile of the recipe", r.Profile); err != nil {
		return err
	}
	if err := checkText(r.Version, r.Text); err != nil {
		return err
	}
	h := r.Hash()
	_, err := c.exec(ctx, `INSERT INTO recipe (hash, profile, version, text) VALUES ($1, $2, $3, $4) ON CONFLICT (hash) DO NOTHING`,
		h[:], r.Profile[:], r.Version, r.Text)
	return err
}

// Recipe returns a recipe by its hash. It wraps [ErrUnknown] if there is none.
func (l *Ledger) Recipe(ctx context.Context, hash Hash) (Recipe, error) {
	var r Recipe
	err := l.read.QueryRowContext(ctx, `SELECT profile, version, text FROM recipe WHERE hash = $1`, hash[:]).Scan(&r.Profile, &r.Version, &r.Text)
	if errors.Is(err, sql.ErrNoRows) {
		err = fmt.Errorf("recipe %v: %w", hash, ErrUnknown)
	}
	if err != nil {
		return Recipe{}, l.explain(ctx, "look for a recipe", err)
	}
	return r, nil
}

// Record records outcomes, all of them or none. Recording the same again
// changes nothing. The recipe and, unless Outcome.Frame brings it, the raw
// frame must have been recorded before.
func (l *Ledger) Record(ctx context.Context, outcomes ...Outcome) error {
	return l.changeMany(ctx, "record outcomes", len(outcomes), func(c *change, i int) error { return c.addOutcome(ctx, &outcomes[i]) })
}

func (c *change) addOutcome(ctx context.Context, o *Outcome) error {
	if o.Frame != nil {
		if err := c.addFrame(ctx, o.Frame); err != nil {
			return err
		}
	}
	if p := o.Product; p != nil {
		id := ProductID(p.Identity)
		if err := c.addProduct(ctx, id, o); err != nil {
			return fmt.Errorf("product %s: %w", p.Path, err)
		}
	}
	if f := o.Failure; f != nil {
		if err := c.addFailure(ctx, f); err != nil {
			return fmt.Errorf("failure of frame %v: %w", f.Frame, err)
		}
	}
	return nil
}

func (c *change) addProduct(ctx context.Context, id Hash, o *Outcome) error {
	p := o.Product
	if err := errors.Join(needHash("the product", p.SHA256), p.State.orCurrent().check(), checkText(p.What, p.Detector, p.Algorithm)); err != nil {
		return err
	}
	part, shared, err := c.origin(ctx, &p.Identity)
	if err != nil {
		return err
	}
	if p.State.orCurrent() == Current {
		if err := c.takePlace(ctx, id, part, o); err != nil {
			return err
		}
	}
	key, err := c.writeProduct(ctx, id, part, shared, p)
	if err != nil {
		return err
	}
	return c.writeMetrics(ctx, key, o.Metrics)
}

// origin finds the part that a product was made of, and the key of its other
// inputs. A product of several raw files, or of none, has no part.
func (c *change) origin(ctx context.Context, i *Identity) (part sql.NullInt64, shared int64, err error) {
	inputs := sortedInputs(i.Inputs)
	if len(inputs) == 0 {
		return part, 0, errors.New("the product has no inputs: name at least its raw file")
	}
	isRaw := func(in Input) bool { return in.Role == RoleRaw }
	first := slices.IndexFunc(inputs, isRaw)
	if first >= 0 && !slices.ContainsFunc(inputs[first+1:], isRaw) {
		raw := inputs[first].SHA256
		inputs = slices.Delete(inputs, first, first+1)
		part.Int64, err = c.partKey(ctx, raw, i.Detector, i.Plane)
		if err != nil {
			return part, 0, err
		}
		part.Valid = true
	}
	shared, err = c.setKey(ctx, inputs)
	return part, shared, err
}

func (c *change) partKey(ctx context.Context, raw Hash, detector string, plane int) (int64, error) {
	key, found, err := c.number(ctx, `SELECT p.key FROM part p JOIN frame f ON f.key = p.frame WHERE f.sha256 = $1 AND p.detector = $2 AND p.plane = $3`,
		raw[:], detector, plane)
	if err == nil && !found {
		err = fmt.Errorf("raw frame %v, detector %s, plane %d: %w: record the frame first", raw, detector, plane, ErrUnknown)
	}
	return key, err
}

func (c *change) setKey(ctx context.Context, inputs []Input) (int64, error) {
	hash := setHash(inputs)
	if key, ok := c.sets[hash]; ok {
		return key, nil
	}
	key, found, err := c.number(ctx, `SELECT key FROM input_set WHERE hash = $1`, hash[:])
	if err == nil && !found {
		key, err = c.writeSet(ctx, hash, inputs)
	}
	if err == nil {
		c.sets[hash] = key
	}
	return key, err
}

func (c *change) writeSet(ctx context.Context, hash Hash, inputs []Input) (int64, error) {
	key, err := c.key(ctx, `INSERT INTO input_set (hash) VALUES ($1) ON CONFLICT (hash) DO UPDATE SET hash = excluded.hash RETURNING key`, hash[:])
	if err != nil {
		return 0, err
	}
	for _, in := range inputs {
		if err := errors.Join(needHash("an input of role "+in.Role, in.SHA256), checkText(in.Role)); err != nil {
			return 0, err
		}
		_, err := c.exec(ctx, `INSERT INTO input_set_member (input_set, role, sha256) VALUES ($1, $2, $3) ON CONFLICT (input_set, role, sha256) DO NOTHING`,
			key, in.Role, in.SHA256[:])
		if err != nil {
			return 0, err
		}
	}
	return key, nil
}

func (c *change) recipeKey(ctx context.Context, hash Hash) (int64, error) {
	if key, ok := c.recipes[hash]; ok {
		return key, nil
	}
	key, found, err := c.number(ctx, `SELECT key FROM recipe WHERE hash = $1`, hash[:])
	if err == nil && !found {
		err = fmt.Errorf("recipe %v: %w: record the recipe first", hash, ErrUnknown)
	}
	if err == nil {
		c.recipes[hash] = key
	}
	return key, err
}

// takePlace makes room for a product: of failures of what it is made of, of
// the version before it, and of others at its path.
func (c *change) takePlace(ctx context.Context, id Hash, part sql.NullInt64, o *Outcome) error {
	p, kept := o.Product, o.Kept
	if part.Valid {
		if err := c.clearFailures(ctx, part.Int64, &p.Identity); err != nil {
			return err
		}
		n, err := c.moveOn(ctx, kept, `WHERE part = $1 AND what = $2 AND state = 'current' AND id <> $3`, part.Int64, p.What, id[:])
		if err != nil {
			return err
		}
		if n > 0 {
			kept = "" // is the file of that version
		}
		// The first condition is that of an index.
		if _, err := c.moveOn(ctx, "", `WHERE state <> 'current' AND part = $1 AND what = $2 AND state = 'missing' AND id <> $3`, part.Int64, p.What, id[:]); err != nil {
			return err
		}
	}
	if kept != "" {
		if _, err := c.moveOn(ctx, kept, `WHERE path = $1 AND state IN ('current', 'missing') AND id <> $2`, []byte(p.Path), id[:]); err != nil {
			return err
		}
	}
	// Were only current ones named here and above, PostgreSQL could take the
	// index of the current products and search all of it.
	_, err := c.moveOn(ctx, "", `WHERE path = $1 AND state IN ('current', 'missing', 'superseded') AND id <> $2`, []byte(p.Path), id[:])
	return err
}

// moveOn records that the files of some products were put somewhere, or are
// gone, and returns the number of products.
func (c *change) moveOn(ctx context.Context, kept, which string, args ...any) (int64, error) {
	if kept == "" {
		return c.exec(ctx, `UPDATE product SET state = 'replaced' `+which, args...)
	}
	return c.exec(ctx, fmt.Sprintf(`UPDATE product SET state = 'superseded', path = $%d %s`, len(args)+1, which), append(args, []byte(kept))...)
}

// clearFailures forgets that what a product is made of failed before.
func (c *change) clearFailures(ctx context.Context, part int64, i *Identity) error {
	if err := c.clearPart(ctx, part); err != nil {
		return err
	}
	for _, in := range i.Inputs {
		if in.Role == RoleRaw {
			return c.clearWhole(ctx, in.SHA256)
		}
	}
	return nil
}

func (c *change) writeProduct(ctx context.Context, id Hash, part sql.NullInt64, shared int64, p *Product) (int64, error) {
	recipe, err := c.recipeKey(ctx, p.Recipe)
	if err != nil {
		return 0, err
	}
	made, err := optionalNanos(p.Made)
	if err != nil {
		return 0, err
	}
	return c.key(ctx, `INSERT INTO product (id, part, what, detector, plane, recipe, input_set, algorithm, path, sha256, bytes, made_at, took_ns, state, run)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)
		ON CONFLICT (id) DO UPDATE SET path = excluded.path, sha256 = excluded.sha256, bytes = excluded.bytes,
			made_at = excluded.made_at, took_ns = excluded.took_ns, state = excluded.state, run = excluded.run
		RETURNING key`,
		id[:], part, p.What, p.Detector, p.Plane, recipe, shared, p.Algorithm, []byte(p.Path), p.SHA256[:], p.Bytes, made, int64(p.Took),
		string(p.State.orCurrent()), sql.NullInt64{Int64: p.Run, Valid: p.Run != 0})
}

func (c *change) writeMetrics(ctx context.Context, product int64, metrics []Metric) error {
	if _, err := c.exec(ctx, `DELETE FROM metric WHERE product = $1`, product); err != nil {
		return err
	}
	for _, m := range metrics {
		if err := checkText(m.Name); err != nil {
			return err
		}
		if _, err := c.exec(ctx, `INSERT INTO metric (product, name, value) VALUES ($1, $2, $3)`, product, m.Name, optionalNumber(m.Value)); err != nil {
			return fmt.Errorf("metric %s: %w", m.Name, err)
		}
	}
	return nil
}

// SetProductState says what became of a product. It wraps [ErrUnknown] if
// there is none of that identity. A product that is made current again
// supersedes nothing: record it for that.
func (l *Ledger) SetProductState(ctx context.Context, id Hash, state State) error {
	return l.change(ctx, "set the state of a product", func(c *change) error {
		return c.setState(ctx, `UPDATE product SET state = $2 WHERE id = $1`, "product", id, state)
	})
}

const productColumns = `SELECT p.key, p.input_set, p.what, p.detector, p.plane, r.hash, p.algorithm, p.path, p.sha256, p.bytes, p.made_at, p.took_ns, p.state, p.run, f.sha256
	FROM product p JOIN recipe r ON r.key = p.recipe LEFT JOIN part a ON a.key = p.part LEFT JOIN frame f ON f.key = a.frame `

// Product returns a product and its metrics, sorted by name. It wraps
// [ErrUnknown] if there is none of that identity.
func (l *Ledger) Product(ctx context.Context, id Hash) (Product, []Metric, error) {
	key, p, err := l.product(ctx, id)
	if err != nil {
		return Product{}, nil, l.explain(ctx, "look for a product", err)
	}
	metrics, err := l.metrics(ctx, key)
	if err != nil {
		return Product{}, nil, l.explain(ctx, "read the metrics of a product", err)
	}
	return p, metrics, nil
}

// ProductAt returns the current product whose file lies at a path; false if there
// is none.
func (l *Ledger) ProductAt(ctx context.Context, path string) (Product, bool, error) {
	var id Hash
	// Were the state named to the index, PostgreSQL could take that of the
	// current products and search all of it.
	err := each(ctx, l.read, func(scan scan) error {
		var have Hash
		var state State
		if err := scan(&have, &state); err != nil {
			return err
		}
		if state == Current {
			id = have
		}
		return nil
	}, `SELECT id, state FROM product WHERE path = $1`, []byte(path))
	if err == nil && id.IsZero() {
		return Product{}, false, nil
	}
	var p Product
	if err == nil {
		_, p, err = l.product(ctx, id)
	}
	if err != nil {
		return Product{}, false, l.explain(ctx, "look for the product at a path", err)
	}
	return p, true, nil
}

func (l *Ledger) product(ctx context.Context, id Hash) (int64, Product, error) {
	var found productRow
	err := each(ctx, l.read, func(scan scan) error { return found.scan(scan) }, productColumns+`WHERE p.id = $1`, id[:])
	if err == nil && found.key == 0 {
		err = fmt.Errorf("product %v: %w", id, ErrUnknown)
	}
	if err == nil {
		err = l.addInputs(ctx, &found)
	}
	return found.key, found.Product, err
}

// productRow is a row of productColumns.
type productRow struct {
	Product
	key, set int64
}

func (p *productRow) scan(scan scan) error {
	var path []byte
	var made, run sql.NullInt64
	var raw Hash
	if err := scan(&p.key, &p.set, &p.What, &p.Detector, &p.Plane, &p.Recipe, &p.Algorithm, &path, &p.SHA256, &p.Bytes, &made, &p.Took, &p.State, &run, &raw); err != nil {
		return err
	}
	p.Path, p.Made, p.Run = string(path), optionalTime(made), run.Int64
	if !raw.IsZero() {
		p.Inputs = append(p.Inputs, Input{RoleRaw, raw})
	}
	return nil
}

// addInputs reads the inputs that are shared and sorts them all.
func (l *Ledger) addInputs(ctx context.Context, p *productRow) error {
	shared, err := l.inputs(ctx, p.set)
	p.Inputs = sortedInputs(append(p.Inputs, shared...))
	return err
}

// InputsOf returns the inputs of a set ([FrameRow].ProductInputs), sorted by
// role and hash; none if there is no such set. Products of the same masters
// share a set: callers keep what they looked up.
func (l *Ledger) InputsOf(ctx context.Context, set int64) ([]Input, error) {
	inputs, err := l.inputs(ctx, set)
	if err != nil {
		return nil, l.explain(ctx, "list the inputs of a product", err)
	}
	return sortedInputs(inputs), nil
}

func (l *Ledger) inputs(ctx context.Context, set int64) (inputs []Input, err error) {
	err = each(ctx, l.read, func(scan scan) error {
		var in Input
		if err := scan(&in.Role, &in.SHA256); err != nil {
			return err
		}
		inputs = append(inputs, in)
		return nil
	}, `SELECT role, sha256 FROM input_set_member WHERE input_set = $1`, set)
	return inputs, err
}

func (l *Ledger) metrics(ctx context.Context, product int64) (metrics []Metric, err error) {
	err = each(ctx, l.read, func(scan scan) error {
		var m Metric
		var value sql.NullFloat64
		if err := scan(&m.Name, &value); err != nil {
			return err
		}
		m.Value = numberOf(value)
		metrics = append(metrics, m)
		return nil
	}, `SELECT name, value FROM metric WHERE product = $1`, product)
	slices.SortFunc(metrics, func(a, b Metric) int { return cmp.Compare(a.Name, b.Name) })
	return metrics, err
}

// ProductsOf calls f for the identity and the path of each current product
// that was made of a file: a raw frame, a master, or another input. The order
// is that in which they were first recorded.
func (l *Ledger) ProductsOf(ctx context.Context, sha Hash, f func(id Hash, path string) error) error {
	err := each(ctx, l.read, func(scan scan) error {
		var key int64
		var id Hash
		var path []byte
		if err := scan(&key, &id, &path); err != nil {
			return err
		}
		return f(id, string(path))
	}, `SELECT p.key, p.id, p.path FROM product p WHERE p.state = 'current' AND p.input_set IN (SELECT m.input_set FROM input_set_member m WHERE m.sha256 = $1)
		UNION
		SELECT p.key, p.id, p.path FROM frame f JOIN part a ON a.frame = f.key JOIN product p ON p.part = a.key WHERE p.state = 'current' AND f.sha256 = $1
		ORDER BY 1`, sha[:])
	if err != nil {
		return l.explain(ctx, "list the products of a file", err)
	}
	return nil
}
