"""The sub-commands of `evenburn`: one module each, thin: options in, other modules do the work, words out."""
