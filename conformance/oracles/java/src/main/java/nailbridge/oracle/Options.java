package nailbridge.oracle;

import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayList;
import java.util.Iterator;
import java.util.List;

/**
 * What the command line asks for.
 *
 * @param definitions folders of StructureDefinition, ValueSet and CodeSystem files
 * @param filters the filter file, or null
 * @param expected how many resources must be read, or -1 when nobody counted them
 * @param verbose whether findings of level information are printed too
 * @param times how often all inputs are validated again, one after another, each round timed
 * @param snapshots the file into which the StructureDefinitions among the definitions go with their snapshots, or null
 * @param inputs files and folders to validate
 */
record Options(
    List<Path> definitions, Path filters, int expected, boolean verbose, int times, Path snapshots, List<Path> inputs) {
  private static final String USAGE =
      "usage: oracle [--definitions FOLDER]... [--filters FILE] [--expect N] [--verbose] [--times N] [--snapshots FILE]"
          + " FILE|FOLDER...";

  static Options parse(String[] args) throws Refusal {
    List<Path> definitions = new ArrayList<>();
    List<Path> inputs = new ArrayList<>();
    Path filters = null;
    int expected = -1;
    boolean verbose = false;
    int times = 0;
    Path snapshots = null;
    Iterator<String> words = List.of(args).iterator();
    while (words.hasNext()) {
      String word = words.next();
      switch (word) {
        case "--definitions" -> definitions.add(existing(value(word, words)));
        case "--filters" -> filters = existing(value(word, words));
        case "--expect" -> expected = count(value(word, words));
        case "--verbose" -> verbose = true;
        case "--snapshots" -> snapshots = Path.of(value(word, words));
        case "--times" -> times = count(value(word, words));
        default -> {
          if (word.startsWith("-")) {
            throw new Refusal("unknown option " + word + "\n" + USAGE);
          }
          inputs.add(existing(word));
        }
      }
    }
    if (inputs.isEmpty()) {
      throw new Refusal(USAGE);
    }
    return new Options(definitions, filters, expected, verbose, times, snapshots, inputs);
  }

  private static String value(String option, Iterator<String> words) throws Refusal {
    if (!words.hasNext()) {
      throw new Refusal(option + " needs a value\n" + USAGE);
    }
    return words.next();
  }

  private static Path existing(String name) throws Refusal {
    Path path = Path.of(name);
    if (!Files.exists(path)) {
      throw new Refusal("no such file or folder: " + name);
    }
    return path;
  }

  private static int count(String text) throws Refusal {
    try {
      return Integer.parseUnsignedInt(text);
    } catch (NumberFormatException e) {
      throw new Refusal("a number is needed, not " + text);
    }
  }
}
