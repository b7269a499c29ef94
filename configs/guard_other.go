//go:build !unix

package configs

// hasPermissions tells that the mode of a file says nothing about who may use
// it.
const hasPermissions = false
