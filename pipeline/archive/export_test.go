package archive

// What no test can bring about from outside, or not on every file system.
var (
	Double   = double
	CopyFile = copyFile
)
