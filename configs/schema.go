package configs

import _ "embed"

//go:embed profile.schema.json
var schemaText []byte

// Schema gives a copy of the published schema of profiles (JSON Schema, draft
// 2020-12), with which editors complete and check profiles while they are
// written. It covers what can be said about one value at a time; [Parse] also
// checks that the values agree with one another.
func Schema() []byte { return append([]byte(nil), schemaText...) }
